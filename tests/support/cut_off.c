/* Ends the process at the n-th thing it writes, whole or torn, as a cut cable does.
 *
 *     cc -shared -fPIC -o cut_off.so cut_off.c -ldl
 *     LD_PRELOAD=./cut_off.so python ...
 *
 * Every call that changes a file is counted: writing, cutting, syncing, renaming, removing, making a folder.
 * `cut_off(n, way)` begins to count. At the n-th call the process ends: way 0 before it, way 1 after half of
 * what was to be written (a call that writes nothing ends before), way 2 after it. `cut_off_count()` tells how
 * many there were. Terminals and pipes are left alone.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <stdio.h>
#include <sys/sendfile.h>
#include <sys/stat.h>
#include <sys/types.h>
#include <unistd.h>

static long wanted = 0, done = 0;
static int manner = 0;

void cut_off(long n, int way) { wanted = n; manner = way; done = 0; }
long cut_off_count(void) { return done; }

/* Whether this call is the one: 1 to end before it, 2 in its midst, 3 after it. */
static int now(void) {
    if (wanted == 0 || ++done != wanted) return 0;
    if (manner == 0) _exit(99);
    return manner + 1;
}
static int is_file(int fd) {
    struct stat s;
    return wanted && fstat(fd, &s) == 0 && S_ISREG(s.st_mode);
}
#define REAL(name, type, ...) \
    static type (*real)(__VA_ARGS__); \
    if (!real) real = (type (*)(__VA_ARGS__)) dlsym(RTLD_NEXT, name)
#define WRITING(call, half) \
    int end = is_file(fd) ? now() : 0; \
    if (end == 2) { half; _exit(99); } \
    ssize_t got = call; \
    if (end) _exit(99); \
    return got
#define CHANGING(call) \
    int end = now(); \
    if (end == 2) _exit(99); \
    int got = call; \
    if (end) _exit(99); \
    return got

ssize_t write(int fd, const void *b, size_t n) {
    REAL("write", ssize_t, int, const void *, size_t);
    WRITING(real(fd, b, n), real(fd, b, n / 2));
}
ssize_t pwrite(int fd, const void *b, size_t n, off_t o) {
    REAL("pwrite", ssize_t, int, const void *, size_t, off_t);
    WRITING(real(fd, b, n, o), real(fd, b, n / 2, o));
}
ssize_t pwrite64(int fd, const void *b, size_t n, off64_t o) {
    REAL("pwrite64", ssize_t, int, const void *, size_t, off64_t);
    WRITING(real(fd, b, n, o), real(fd, b, n / 2, o));
}
ssize_t sendfile(int fd, int from, off_t *o, size_t n) {
    REAL("sendfile", ssize_t, int, int, off_t *, size_t);
    WRITING(real(fd, from, o, n), real(fd, from, o, n / 2));
}
ssize_t sendfile64(int fd, int from, off64_t *o, size_t n) {
    REAL("sendfile64", ssize_t, int, int, off64_t *, size_t);
    WRITING(real(fd, from, o, n), real(fd, from, o, n / 2));
}
int fsync(int fd) { REAL("fsync", int, int); CHANGING(real(fd)); }
int fdatasync(int fd) { REAL("fdatasync", int, int); CHANGING(real(fd)); }
int ftruncate(int fd, off_t n) { REAL("ftruncate", int, int, off_t); CHANGING(real(fd, n)); }
int ftruncate64(int fd, off64_t n) { REAL("ftruncate64", int, int, off64_t); CHANGING(real(fd, n)); }
int unlink(const char *p) { REAL("unlink", int, const char *); CHANGING(real(p)); }
int rmdir(const char *p) { REAL("rmdir", int, const char *); CHANGING(real(p)); }
int mkdir(const char *p, mode_t m) { REAL("mkdir", int, const char *, mode_t); CHANGING(real(p, m)); }
int rename(const char *a, const char *b) {
    REAL("rename", int, const char *, const char *);
    CHANGING(real(a, b));
}
int unlinkat(int d, const char *p, int f) { REAL("unlinkat", int, int, const char *, int); CHANGING(real(d, p, f)); }
int renameat(int d, const char *a, int e, const char *b) {
    REAL("renameat", int, int, const char *, int, const char *);
    CHANGING(real(d, a, e, b));
}
