/* A disk that fails at the n-th thing asked of it; loaded before the C library (LD_PRELOAD).

   Only files below one folder are on that disk.  The plan lies in a file that all processes map,
   so that children of a command count with it. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <sys/uio.h>
#include <unistd.h>

enum { WRITES, SYNCS, NAMES, KINDS, KEPT = 4096 };

struct ask {
    long kind;
    char call[24];
    char path[232];
};

struct plan {
    long asked[KINDS]; /* how often so far */
    long fails[KINDS]; /* which kinds are counted and fail */
    long at;           /* which of those fails; 0: none */
    long error;        /* errno; 0: half of it is written, without an error */
    long stays;        /* from then on all fail */
    char folder[1024];
    struct ask asks[KEPT]; /* the first of them, in their order */
};

static struct plan *plan;
static __thread char asked_of[4096]; /* the file */

__attribute__((constructor)) static void begin(void) {
    const char *path = getenv("AFTERCLEAR_TEST_DISK");
    int fd = path ? open(path, O_RDWR | O_CLOEXEC) : -1;
    if (fd < 0)
        return;
    void *at = mmap(NULL, sizeof(struct plan), PROT_READ | PROT_WRITE, MAP_SHARED, fd, 0);
    close(fd);
    plan = at == MAP_FAILED ? NULL : at;
}

static int is_there(const char *path) {
    if (!plan || !plan->folder[0] || strncmp(path, plan->folder, strlen(plan->folder)))
        return 0;
    snprintf(asked_of, sizeof asked_of, "%s", path + strlen(plan->folder));
    return 1;
}

static int is_open_there(int fd) {
    char link[64], path[4096];
    if (!plan || !plan->folder[0])
        return 0;
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t n = readlink(link, path, sizeof path - 1);
    if (n < 0)
        return 0;
    path[n] = 0;
    return is_there(path);
}

static void keep(int kind, const char *call) {
    long n = -1;
    for (int each = 0; each < KINDS; each++)
        n += plan->asked[each];
    if (n >= KEPT)
        return;
    plan->asks[n].kind = kind;
    snprintf(plan->asks[n].call, sizeof plan->asks[n].call, "%s", call);
    snprintf(plan->asks[n].path, sizeof plan->asks[n].path, "%s", asked_of);
}

static int fails(int kind, const char *call) {
    __sync_add_and_fetch(&plan->asked[kind], 1);
    keep(kind, call);
    if (!plan->fails[kind])
        return 0;
    long n = 0;
    for (int each = 0; each < KINDS; each++)
        n += plan->fails[each] ? plan->asked[each] : 0;
    return plan->at && (n == plan->at || (plan->stays && n > plan->at));
}

#define NEXT(name) ((__typeof__(&name))dlsym(RTLD_NEXT, #name))
#define REFUSE(is_mine, what)                                                                      \
    if ((is_mine) && fails(what, __func__)) {                                                      \
        errno = (int)plan->error;                                                                  \
        return -1;                                                                                 \
    }
#define WRITING(name, size, half)                                                                  \
    if (is_open_there(fd) && fails(WRITES, __func__)) {                                            \
        if (!plan->error)                                                                          \
            return half;                                                                           \
        errno = (int)plan->error;                                                                  \
        return -1;                                                                                 \
    }

ssize_t write(int fd, const void *b, size_t n) {
    WRITING(write, n, NEXT(write)(fd, b, n > 1 ? n / 2 : n))
    return NEXT(write)(fd, b, n);
}
ssize_t pwrite(int fd, const void *b, size_t n, off_t o) {
    WRITING(pwrite, n, NEXT(pwrite)(fd, b, n > 1 ? n / 2 : n, o))
    return NEXT(pwrite)(fd, b, n, o);
}
ssize_t pwrite64(int fd, const void *b, size_t n, off64_t o) {
    WRITING(pwrite64, n, NEXT(pwrite64)(fd, b, n > 1 ? n / 2 : n, o))
    return NEXT(pwrite64)(fd, b, n, o);
}
ssize_t writev(int fd, const struct iovec *v, int n) {
    WRITING(writev, n, NEXT(writev)(fd, v, 1))
    return NEXT(writev)(fd, v, n);
}
ssize_t sendfile(int fd, int in, off_t *o, size_t n) {
    ssize_t (*next)(int, int, off_t *, size_t) = dlsym(RTLD_NEXT, "sendfile");
    WRITING(sendfile, n, next(fd, in, o, n > 1 ? n / 2 : n))
    return next(fd, in, o, n);
}
ssize_t sendfile64(int fd, int in, off64_t *o, size_t n) {
    ssize_t (*next)(int, int, off64_t *, size_t) = dlsym(RTLD_NEXT, "sendfile64");
    WRITING(sendfile64, n, next(fd, in, o, n > 1 ? n / 2 : n))
    return next(fd, in, o, n);
}
ssize_t copy_file_range(int in, off64_t *oi, int fd, off64_t *oo, size_t n, unsigned f) {
    WRITING(copy_file_range, n, NEXT(copy_file_range)(in, oi, fd, oo, n > 1 ? n / 2 : n, f))
    return NEXT(copy_file_range)(in, oi, fd, oo, n, f);
}
int fsync(int fd) {
    REFUSE(is_open_there(fd), SYNCS)
    return NEXT(fsync)(fd);
}
int fdatasync(int fd) {
    REFUSE(is_open_there(fd), SYNCS)
    return NEXT(fdatasync)(fd);
}
int ftruncate(int fd, off_t n) {
    REFUSE(is_open_there(fd), NAMES)
    return NEXT(ftruncate)(fd, n);
}
int ftruncate64(int fd, off64_t n) {
    REFUSE(is_open_there(fd), NAMES)
    return NEXT(ftruncate64)(fd, n);
}
int rename(const char *a, const char *b) {
    REFUSE(is_there(b), NAMES)
    return NEXT(rename)(a, b);
}
int link(const char *a, const char *b) {
    REFUSE(is_there(b), NAMES)
    return NEXT(link)(a, b);
}
int mkdir(const char *a, mode_t m) {
    REFUSE(is_there(a), NAMES)
    return NEXT(mkdir)(a, m);
}

#define OPENING(name)                                                                              \
    int name(const char *path, int flags, ...) {                                                   \
        mode_t mode = 0;                                                                           \
        if (flags & (O_CREAT | __O_TMPFILE)) {                                                     \
            va_list more;                                                                          \
            va_start(more, flags);                                                                 \
            mode = va_arg(more, mode_t);                                                           \
            va_end(more);                                                                          \
            /* only a new name takes room */                                                       \
            REFUSE(is_there(path) && access(path, F_OK), NAMES)                                    \
        }                                                                                          \
        int (*next)(const char *, int, ...) = dlsym(RTLD_NEXT, #name);                             \
        return next(path, flags, mode);                                                            \
    }
OPENING(open)
OPENING(open64)
