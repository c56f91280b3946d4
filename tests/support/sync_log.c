/* Loaded before the C library (LD_PRELOAD): says in the file that SYNC_LOG names, a line
 * each, what a process writes, syncs, renames, makes and removes. A write is said before
 * it is done, a sync after it came back well. After as many syncs of the journal's segments
 * as SYNC_FAILS_AFTER names, every sync fails. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <unistd.h>

static void say(const char *form, ...) {
    static int log = -1;
    if (log < 0) {
        const char *path = getenv("SYNC_LOG");
        log = path ? (int)syscall(SYS_openat, AT_FDCWD, path, O_WRONLY | O_APPEND | O_CREAT | O_CLOEXEC, 0600) : -1;
    }
    char line[8400];
    va_list values;
    va_start(values, form);
    int n = vsnprintf(line, sizeof line, form, values);
    va_end(values);
    if (log >= 0 && n > 0 && (size_t)n < sizeof line) syscall(SYS_write, log, line, (size_t)n);
}

static const char *path_of(int fd, char *path, size_t room) {
    char link[64];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t n = readlink(link, path, room - 1);
    path[n < 0 ? 0 : n] = 0;
    return path;
}

#define REAL(name, ...) ((__typeof__(&name))dlsym(RTLD_NEXT, #name))(__VA_ARGS__)

ssize_t write(int fd, const void *bytes, size_t n) {
    char path[4096];
    path_of(fd, path, sizeof path);
    if (path[0] == '/') say("write\t%s\t%.*s\n", path, n < 3 ? (int)n : 3, strncmp(path, "/dev/", 5) ? "" : (const char *)bytes);
    return REAL(write, fd, bytes, n);
}

int fsync(int fd) {
    char path[4096];
    static int syncs = 0;
    const char *fails_after = getenv("SYNC_FAILS_AFTER");
    if (fails_after && syncs >= atoi(fails_after)) {
        errno = EIO;
        return -1;
    }
    syncs += strstr(path_of(fd, path, sizeof path), ".lp") != NULL;
    int done = REAL(fsync, fd);
    if (done == 0) say("sync\t%s\t\n", path_of(fd, path, sizeof path));
    return done;
}

int rename(const char *from, const char *to) {
    int done = REAL(rename, from, to);
    if (done == 0) say("rename\t%s\t%s\n", from, to);
    return done;
}

int unlink(const char *path) {
    int done = REAL(unlink, path);
    if (done == 0) say("remove\t%s\t\n", path);
    return done;
}

int mkdir(const char *path, mode_t mode) {
    int done = REAL(mkdir, path, mode);
    if (done == 0) say("make\t%s\t\n", path);
    return done;
}
