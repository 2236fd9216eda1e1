/* Makes the disk refuse: the FAIL_AT-th call that changes something below FAIL_UNDER fails with FAIL_ERRNO, and so
 * does every later one unless FAIL_ONCE is set. Counts such calls in the file FAIL_COUNT (one byte each).
 * With FAIL_ERRNO=kill nothing fails: the FAIL_AT-th call ends the whole process group with SIGKILL, before it is made,
 * or in the middle where it is a write.
 * CLOCK_SHIFT_S moves the wall clock by so many seconds, from the CLOCK_AFTER-th look at it on.
 * Loaded with LD_PRELOAD; children inherit it and count into the same file. */
#define _GNU_SOURCE
#undef _FORTIFY_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/time.h>
#include <sys/types.h>
#include <sys/uio.h>
#include <time.h>
#include <unistd.h>

#define NEXT(name) ((__typeof__(&name))dlsym(RTLD_NEXT, #name))

/* The count is the length of a file to which every call adds a byte: atomic, and shared with children. */
static int refuse(void)
{
    const char *at = getenv("FAIL_AT"), *count = getenv("FAIL_COUNT"), *code = getenv("FAIL_ERRNO");
    if (!at || !count)
        return 0;
    static int file = -1;
    if (file < 0)
        file = NEXT(open)(count, O_RDWR | O_CREAT | O_APPEND | O_CLOEXEC, 0600);
    if (file < 0 || NEXT(write)(file, "x", 1) != 1)
        return 0;
    struct stat now;
    long nth = fstat(file, &now) == 0 ? (long)now.st_size : 0;
    long wanted = atol(at);
    if (wanted <= 0 || nth < wanted || (getenv("FAIL_ONCE") && nth > wanted))
        return 0;
    if (code && !strcmp(code, "kill"))
        return 2;
    errno = code ? atoi(code) : ENOSPC;
    return 1;
}

static int ended(void)
{
    kill(0, SIGKILL);
    for (;;)
        pause();
}

static int under(const char *path)
{
    const char *folder = getenv("FAIL_UNDER");
    return folder && path && strncmp(path, folder, strlen(folder)) == 0;
}

static int under_fd(int fd)
{
    char link[64], path[PATH_MAX];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t size = readlink(link, path, sizeof path - 1);
    if (size <= 0)
        return 0;
    path[size] = 0;
    return under(path);
}

static int under_at(int dir, const char *path)
{
    return path && path[0] != '/' && dir != AT_FDCWD ? under_fd(dir) : under(path);
}

#define GUARD(condition) \
    do { \
        int what = (condition) ? refuse() : 0; \
        if (what == 1) \
            return -1; \
        if (what == 2) \
            ended(); \
    } while (0)

ssize_t write(int fd, const void *data, size_t size)
{
    int what = under_fd(fd) ? refuse() : 0;
    if (what == 1)
        return -1;
    if (what == 2) {
        NEXT(write)(fd, data, size / 2);
        ended();
    }
    return NEXT(write)(fd, data, size);
}

ssize_t pwrite(int fd, const void *data, size_t size, off_t at)
{
    GUARD(under_fd(fd));
    return NEXT(pwrite)(fd, data, size, at);
}

ssize_t pwrite64(int fd, const void *data, size_t size, off64_t at)
{
    GUARD(under_fd(fd));
    return NEXT(pwrite64)(fd, data, size, at);
}

ssize_t writev(int fd, const struct iovec *parts, int count)
{
    GUARD(under_fd(fd));
    return NEXT(writev)(fd, parts, count);
}

ssize_t sendfile(int out, int in, off_t *at, size_t size);
ssize_t sendfile(int out, int in, off_t *at, size_t size)
{
    GUARD(under_fd(out));
    return NEXT(sendfile)(out, in, at, size);
}

ssize_t sendfile64(int out, int in, off64_t *at, size_t size);
ssize_t sendfile64(int out, int in, off64_t *at, size_t size)
{
    GUARD(under_fd(out));
    return NEXT(sendfile64)(out, in, at, size);
}

ssize_t copy_file_range(int in, off64_t *from, int out, off64_t *to, size_t size, unsigned flags)
{
    GUARD(under_fd(out));
    return NEXT(copy_file_range)(in, from, out, to, size, flags);
}

int fsync(int fd)
{
    GUARD(under_fd(fd));
    return NEXT(fsync)(fd);
}

int fdatasync(int fd)
{
    GUARD(under_fd(fd));
    return NEXT(fdatasync)(fd);
}

int ftruncate(int fd, off_t size)
{
    GUARD(under_fd(fd));
    return NEXT(ftruncate)(fd, size);
}

int ftruncate64(int fd, off64_t size)
{
    GUARD(under_fd(fd));
    return NEXT(ftruncate64)(fd, size);
}

int rename(const char *from, const char *to)
{
    GUARD(under(to));
    return NEXT(rename)(from, to);
}

int renameat(int from_dir, const char *from, int to_dir, const char *to)
{
    GUARD(under_at(to_dir, to));
    return NEXT(renameat)(from_dir, from, to_dir, to);
}

int link(const char *from, const char *to)
{
    GUARD(under(to));
    return NEXT(link)(from, to);
}

int mkdir(const char *path, mode_t mode)
{
    GUARD(under(path));
    return NEXT(mkdir)(path, mode);
}

int chmod(const char *path, mode_t mode)
{
    GUARD(under(path));
    return NEXT(chmod)(path, mode);
}

#define OPEN(name, at_dir, ...) \
    mode_t mode = 0; \
    if (flags & (O_CREAT | O_TMPFILE)) { \
        va_list rest; \
        va_start(rest, flags); \
        mode = va_arg(rest, mode_t); \
        va_end(rest); \
    } \
    GUARD((flags & (O_CREAT | O_WRONLY | O_RDWR | O_TRUNC)) && under_at(at_dir, path)); \
    return NEXT(name)(__VA_ARGS__)

int open(const char *path, int flags, ...) { OPEN(open, AT_FDCWD, path, flags, mode); }
int open64(const char *path, int flags, ...) { OPEN(open64, AT_FDCWD, path, flags, mode); }
int openat(int dir, const char *path, int flags, ...) { OPEN(openat, dir, dir, path, flags, mode); }
int openat64(int dir, const char *path, int flags, ...) { OPEN(openat64, dir, dir, path, flags, mode); }

/* Wall clock. */
static time_t shift(void)
{
    static long looks;
    const char *by = getenv("CLOCK_SHIFT_S"), *after = getenv("CLOCK_AFTER");
    if (!by || (after && ++looks < atol(after)))
        return 0;
    return atol(by);
}

int clock_gettime(clockid_t which, struct timespec *now)
{
    int done = NEXT(clock_gettime)(which, now);
    if (!done && (which == CLOCK_REALTIME || which == CLOCK_REALTIME_COARSE))
        now->tv_sec += shift();
    return done;
}

time_t time(time_t *now)
{
    struct timespec found;
    clock_gettime(CLOCK_REALTIME, &found);
    if (now)
        *now = found.tv_sec;
    return found.tv_sec;
}

int gettimeofday(struct timeval *now, void *zone)
{
    int done = NEXT(gettimeofday)(now, zone);
    if (!done)
        now->tv_sec += shift();
    return done;
}
