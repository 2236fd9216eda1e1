/* A scratched disc for any program: reads of SCRATCH_PATH that touch a sector of SCRATCH_SECTORS fail with EIO. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static int scratched(int fd, size_t count)
{
    const char *path = getenv("SCRATCH_PATH"), *list = getenv("SCRATCH_SECTORS");
    char link[64], target[PATH_MAX];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t length = path && list ? readlink(link, target, sizeof target - 1) : -1;
    if (length < 0)
        return 0;
    target[length] = 0;
    if (strcmp(target, path))
        return 0;
    long first = lseek(fd, 0, SEEK_CUR) / 2048, last = (lseek(fd, 0, SEEK_CUR) + (long)count - 1) / 2048;
    for (char *end; *list; list = *end ? end + 1 : end) {
        long sector = strtol(list, &end, 10);
        if (first <= sector && sector <= last)
            return 1;
    }
    return 0;
}

ssize_t read(int fd, void *data, size_t count)
{
    static ssize_t (*real)(int, void *, size_t);
    if (!real)
        real = dlsym(RTLD_NEXT, "read");
    if (count && scratched(fd, count)) {
        errno = EIO;
        return -1;
    }
    return real(fd, data, count);
}
