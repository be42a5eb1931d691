/* Loaded before the C library: makes the disk slow or failing and sets the wall clock, as a shared file says.
 *
 * The file named by FAULT_SWITCHES holds four 64-bit integers: wall clock offset in nanoseconds; pause of each
 * sync in milliseconds; errno that each sync fails with; syncs so far. Only files whose name holds "streams.db"
 * are touched.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <time.h>
#include <unistd.h>

static volatile int64_t *switches(void) {
    static volatile int64_t *map;
    if (!map) {
        const char *name = getenv("FAULT_SWITCHES");
        int fd = name ? open(name, O_RDWR | O_CLOEXEC) : -1;
        if (fd < 0) return NULL;
        void *at = mmap(NULL, 32, PROT_READ | PROT_WRITE, MAP_SHARED, fd, 0);
        close(fd);
        if (at == MAP_FAILED) return NULL;
        map = at;
    }
    return map;
}

static int is_store(int fd) {
    char link[64], target[4096];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t n = readlink(link, target, sizeof target - 1);
    if (n < 0) return 0;
    target[n] = 0;
    return strstr(target, "streams.db") != NULL;
}

static int synced(int fd, const char *name) {
    volatile int64_t *s = switches();
    if (s && is_store(fd)) {
        s[3]++;
        for (int64_t waited = 0; waited < s[1]; waited += 10) usleep(10000);
        if (s[2]) {
            errno = (int)s[2];
            return -1;
        }
    }
    int (*real)(int) = (int (*)(int))dlsym(RTLD_NEXT, name);
    return real(fd);
}

int fsync(int fd) { return synced(fd, "fsync"); }
int fdatasync(int fd) { return synced(fd, "fdatasync"); }

int clock_gettime(clockid_t which, struct timespec *at) {
    static int (*real)(clockid_t, struct timespec *);
    if (!real) real = (int (*)(clockid_t, struct timespec *))dlsym(RTLD_NEXT, "clock_gettime");
    int result = real(which, at);
    volatile int64_t *s = switches();
    if (result == 0 && which == CLOCK_REALTIME && s && s[0]) {
        int64_t ns = at->tv_sec * 1000000000LL + at->tv_nsec + s[0];
        at->tv_sec = ns / 1000000000LL;
        at->tv_nsec = ns % 1000000000LL;
    }
    return result;
}
