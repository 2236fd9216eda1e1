/* Gives the DOS emulator's volume, a folder of the host (DOS_ROOT), the attributes that it lacks: a host file without
 * owner's write permission is write-protected, one with the sticky bit is hidden. As in DOS (handbook tables of its
 * file functions, from memory): a protected file is neither written nor deleted; a hidden one is found by no search; no
 * file is renamed onto another, seen or not. What is written to the file ATTRIB.$$$ ("+r +h C:\A.TXT") is done as the
 * ATTRIB command does it, once it is closed. Loaded with LD_PRELOAD. */
#define _GNU_SOURCE
#undef _FORTIFY_SOURCE
#include <dirent.h>
#include <dlfcn.h>
#include <errno.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <sys/stat.h>
#include <unistd.h>

#define NEXT(name) ((__typeof__(&name))dlsym(RTLD_NEXT, #name))
#define ORDER "ATTRIB.$$$"

static int mode_of(const char *path) /* of a file below DOS_ROOT; 0700 for all else */
{
    const char *root = getenv("DOS_ROOT");
    struct stat64 found;
    if (!root || !path || strncmp(path, root, strlen(root)) || NEXT(stat64)(path, &found) || !S_ISREG(found.st_mode))
        return 0700;
    return found.st_mode & 07777;
}

static int hidden(const char *path) { return mode_of(path) & 01000; }
static int kept(const char *path) { return !(mode_of(path) & 0200); }
/* The paths asked for last: a name without its folder stands for the last one of that name. */
static char asked[64][PATH_MAX];
static int count;

static void ask(const char *path)
{
    const char *root = getenv("DOS_ROOT");
    if (root && path && !strncmp(path, root, strlen(root)))
        snprintf(asked[count++ % 64], PATH_MAX, "%s", path);
}

static int refused(void) { errno = EACCES; return -1; }

int stat64(const char *path, struct stat64 *to)
{
    ask(path);
    if (hidden(path)) { errno = ENOENT; return -1; }
    return NEXT(stat64)(path, to);
}

int access(const char *path, int how)
{
    ask(path);
    if (hidden(path)) { errno = ENOENT; return -1; }
    return NEXT(access)(path, how);
}

int unlink(const char *path)
{
    if (hidden(path)) { errno = ENOENT; return -1; }
    return kept(path) ? refused() : NEXT(unlink)(path);
}

int rename(const char *from, const char *to)
{
    return NEXT(access)(to, F_OK) == 0 ? refused() : NEXT(rename)(from, to);
}

static void step(char *at, const char *name) /* appends a part of a path as the host spells it */
{
    DIR *folder = NEXT(opendir)(at);
    struct dirent64 *one;
    strcat(at, "/");
    while (folder && (one = NEXT(readdir64)(folder)))
        if (!strcasecmp(one->d_name, name)) { strcat(at, one->d_name); break; }
    if (!folder || !one)
        strcat(at, name);
    if (folder)
        closedir(folder);
}

static void obey(char *order)
{
    char at[PATH_MAX], *colon = strchr(order, ':'), *rest = NULL;
    if (!colon) {
        char *name = strrchr(order, ' ');
        name = name ? strtok_r(name + 1, "\r\n", &rest) : NULL;
        for (int back = 1; name && back <= 64 && back <= count; back++) {
            char *path = asked[(count - back) % 64], *last = strrchr(path, '/');
            struct stat64 found;
            if (last && !strcasecmp(last + 1, name) && !NEXT(stat64)(path, &found)) {
                int mode = found.st_mode & 07777;
                mode = strstr(order, "-r") ? mode | 0200 : mode;
                chmod(path, strstr(order, "-h") ? mode & ~01000 : mode);
                return;
            }
        }
        return;
    }
    snprintf(at, sizeof at, "%s", getenv("DOS_ROOT"));
    for (char *part = strtok_r(colon + 1, "\\\r\n", &rest); part; part = strtok_r(NULL, "\\\r\n", &rest))
        step(at, part);
    int mode = mode_of(at);
    *colon = 0;
    mode = strstr(order, "-r") ? mode | 0200 : strstr(order, "+r") ? mode & ~0200 : mode;
    mode = strstr(order, "-h") ? mode & ~01000 : strstr(order, "+h") ? mode | 01000 : mode;
    chmod(at, mode);
}

static FILE *writing;
static char written[PATH_MAX];

FILE *fopen64(const char *path, const char *how)
{
    int writes = strpbrk(how, "wa+") != NULL, is_new = strchr(how, 'w') != NULL;
    if ((writes && kept(path)) || (is_new && hidden(path))) { errno = EACCES; return NULL; }
    FILE *file = NEXT(fopen64)(path, how);
    if (file && is_new && strlen(path) >= strlen(ORDER) && !strcmp(path + strlen(path) - strlen(ORDER), ORDER)) {
        writing = file;
        snprintf(written, sizeof written, "%s", path);
    }
    return file;
}

int fclose(FILE *file)
{
    int ours = file == writing, done = NEXT(fclose)(file);
    if (ours) {
        char order[512];
        FILE *again = NEXT(fopen64)(written, "r");
        writing = NULL;
        if (again && fgets(order, sizeof order, again))
            obey(order);
        if (again)
            NEXT(fclose)(again);
        NEXT(unlink)(written);
    }
    return done;
}
