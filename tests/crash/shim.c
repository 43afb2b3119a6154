/* Makes the kernel's answers up, for one process, so that a disk can fail, lie, fill up and be cut off at any call, the
 * wall clock can be set, and an event loop can be held up, without a privilege and without touching the machine.
 *
 * Preloaded (LD_PRELOAD). Only calls on files below SHIM_UNDER count. What to do comes from the environment, or from
 * shim_arm() in a process that was forked; a process whose command line lacks SHIM_WHO is left alone.
 *
 *   SHIM_FAULTS  OP:WHAT:N[+], with commas between; the N-th OP of this process, and with + every later one too.
 *                OP    open (creating), write, fsync, fdatasync, rename, unlink, mkdir, ftruncate, or any (all of them)
 *                WHAT  EIO, ENOSPC, EROFS, EINTR, short (half the bytes), kill (before the call), half (half the bytes,
 *                      then kill), lie (a sync that does nothing and says it did)
 *   SHIM_LOG     a line a call: monotonic ns, number, operation, path, 0 or the error's number or what was made up (< 0),
 *                size after it
 *   SHIM_AFTER   a file with an int64: while it is 0 no call counts
 *   SHIM_CLOCK   a file with an int64: nanoseconds added to the wall clock, and to nothing else
 *   SHIM_STALL   a file with an int64: the next epoll_wait first sleeps so many nanoseconds, once
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <signal.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/epoll.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>

enum { OPEN, WRITE, FSYNC, FDATASYNC, RENAME, UNLINK, MKDIR, FTRUNCATE, ANY, OPS };
static const char *op_names[OPS] = {"open", "write", "fsync", "fdatasync", "rename", "unlink", "mkdir", "ftruncate",
                                    "any"};
enum { KILL = -1, HALF = -2, SHORT = -3, LIE = -4 };
static const struct { const char *name; int what; } whats[] = {
    {"EIO", EIO}, {"ENOSPC", ENOSPC}, {"EROFS", EROFS}, {"EINTR", EINTR}, {"kill", KILL}, {"half", HALF},
    {"short", SHORT}, {"lie", LIE}};

#define MAX_FAULTS 8
static struct { int op, what, sticky; long n; } faults[MAX_FAULTS];
static int fault_count, log_fd = -1;
static char under[PATH_MAX];
static size_t under_length;
static atomic_long counts[OPS];
static atomic_int interrupted; /* a call that is tried again after EINTR must get through */
static volatile int64_t *clock_ns, *stall_ns, *after;

static void *real(const char *name) { return dlsym(RTLD_NEXT, name); }

static void die(const char *words) {
    dprintf(2, "shim: %s\n", words);
    _exit(99);
}

static void add_fault(char *text) {
    char *what = strchr(text, ':'), *n = what ? strchr(what + 1, ':') : NULL;
    if (!n || fault_count == MAX_FAULTS) die("a fault is OP:WHAT:N[+]");
    *what++ = *n++ = 0;
    int op = 0;
    while (op < OPS && strcmp(op_names[op], text)) op++;
    size_t w = 0;
    while (w < sizeof whats / sizeof *whats && strcmp(whats[w].name, what)) w++;
    if (op == OPS || w == sizeof whats / sizeof *whats) die("no such operation or fault");
    faults[fault_count].op = op;
    faults[fault_count].what = whats[w].what;
    faults[fault_count].n = strtol(n, &n, 10);
    faults[fault_count++].sticky = *n == '+';
}

void shim_arm(const char *path, const char *text, const char *log) {
    static char copy[1024];
    fault_count = 0;
    for (int op = 0; op < OPS; op++) counts[op] = 0;
    snprintf(copy, sizeof copy, "%s", text ? text : "");
    for (char *save, *part = strtok_r(copy, ",", &save); part; part = strtok_r(NULL, ",", &save)) add_fault(part);
    if (log && *log) log_fd = syscall(SYS_openat, AT_FDCWD, log, O_WRONLY | O_APPEND | O_CREAT | O_CLOEXEC, 0600);
    under_length = strlen(path);
    memcpy(under, path, under_length + 1);
}

static volatile int64_t *map(const char *name) {
    const char *path = getenv(name);
    if (!path) return NULL;
    int fd = syscall(SYS_openat, AT_FDCWD, path, O_RDWR | O_CLOEXEC);
    void *at = fd < 0 ? MAP_FAILED : mmap(NULL, 8, PROT_READ | PROT_WRITE, MAP_SHARED, fd, 0);
    if (at == MAP_FAILED) die("a file of the shim cannot be mapped");
    syscall(SYS_close, fd);
    return at;
}

__attribute__((constructor)) static void begin(void) {
    char line[4096] = {0};
    const char *who = getenv("SHIM_WHO");
    int fd = syscall(SYS_openat, AT_FDCWD, "/proc/self/cmdline", O_RDONLY);
    long length = syscall(SYS_read, fd, line, sizeof line - 1);
    syscall(SYS_close, fd);
    for (long i = 0; i + 1 < length; i++) if (!line[i]) line[i] = ' ';
    if (who && !strstr(line, who)) return;
    clock_ns = map("SHIM_CLOCK");
    stall_ns = map("SHIM_STALL");
    after = map("SHIM_AFTER");
    if (getenv("SHIM_UNDER")) shim_arm(getenv("SHIM_UNDER"), getenv("SHIM_FAULTS"), getenv("SHIM_LOG"));
}

static int counts_path(const char *path) { return under_length && !strncmp(path, under, under_length); }

static int counts_fd(int fd, char *path) {
    char link[64];
    if (!under_length) return 0;
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    long length = syscall(SYS_readlinkat, AT_FDCWD, link, path, PATH_MAX - 1);
    if (length < 0) return 0;
    path[length] = 0;
    return counts_path(path);
}

static void note(int op, const char *path, int error, long size) {
    char line[PATH_MAX + 100];
    struct timespec now;
    if (log_fd < 0) return;
    syscall(SYS_clock_gettime, CLOCK_MONOTONIC, &now);
    int length = snprintf(line, sizeof line, "%lld %ld %s %s %d %ld\n",
                          (long long)now.tv_sec * 1000000000 + now.tv_nsec, (long)counts[ANY], op_names[op], path, error,
                          size);
    syscall(SYS_write, log_fd, line, length);
}

/* What becomes of this call: 0 nothing, an errno, or one of the names below 0. */
static int judge(int op) {
    if (after && !*after) return 0;
    long nth = ++counts[op], any = ++counts[ANY];
    for (int i = 0; i < fault_count; i++) {
        long at = faults[i].op == ANY ? any : nth;
        if (faults[i].op != ANY && faults[i].op != op) continue;
        if (at != faults[i].n && !(faults[i].sticky && at > faults[i].n)) continue;
        int uninterruptible = op == RENAME || op == UNLINK || op == MKDIR; /* Linux never answers EINTR to these */
        if (faults[i].what == EINTR && (uninterruptible || interrupted++ % 2)) continue;
        return faults[i].what;
    }
    return 0;
}

static int fail(int op, const char *path, int what) {
    if (what == KILL || what == HALF) {
        note(op, path, KILL, 0);
        syscall(SYS_kill, getpid(), SIGKILL);
    }
    if (what <= 0) return 0; /* only a write can be short, only a sync can lie */
    note(op, path, what, 0);
    errno = what;
    return 1;
}

ssize_t write(int fd, const void *data, size_t size) {
    char path[PATH_MAX];
    if (!counts_fd(fd, path)) return syscall(SYS_write, fd, data, size);
    int what = judge(WRITE);
    if ((what == HALF || what == SHORT) && size > 1) {
        ssize_t taken = syscall(SYS_write, fd, data, size / 2);
        note(WRITE, path, what, taken);
        if (what == SHORT) return taken;
    }
    if (fail(WRITE, path, what)) return -1;
    ssize_t taken = syscall(SYS_write, fd, data, size);
    int error = errno;
    note(WRITE, path, taken < 0 ? errno : 0, taken);
    errno = error;
    return taken;
}

static int sync_file(int op, int fd, long call) {
    char path[PATH_MAX];
    struct stat found = {0};
    if (!counts_fd(fd, path)) return syscall(call, fd);
    int what = judge(op);
    if (fail(op, path, what)) return -1;
    int done = what == LIE ? 0 : syscall(call, fd);
    int error = errno;
    fstat(fd, &found);
    note(op, path, done ? error : what == LIE ? LIE : 0, found.st_size);
    errno = error;
    return done;
}

int fsync(int fd) { return sync_file(FSYNC, fd, SYS_fsync); }
int fdatasync(int fd) { return sync_file(FDATASYNC, fd, SYS_fdatasync); }

static int open_file(const char *path, int flags, mode_t mode) {
    if ((flags & O_CREAT) && counts_path(path)) {
        if (fail(OPEN, path, judge(OPEN))) return -1;
        note(OPEN, path, 0, 0);
    }
    return syscall(SYS_openat, AT_FDCWD, path, flags, mode);
}

int open(const char *path, int flags, ...) {
    va_list rest;
    va_start(rest, flags);
    mode_t mode = flags & (O_CREAT | O_TMPFILE) ? va_arg(rest, mode_t) : 0;
    va_end(rest);
    return open_file(path, flags, mode);
}

int open64(const char *path, int flags, ...) {
    va_list rest;
    va_start(rest, flags);
    mode_t mode = flags & (O_CREAT | O_TMPFILE) ? va_arg(rest, mode_t) : 0;
    va_end(rest);
    return open_file(path, flags | O_LARGEFILE, mode);
}

int rename(const char *from, const char *to) {
    if (counts_path(to)) {
        if (fail(RENAME, to, judge(RENAME))) return -1;
        note(RENAME, to, 0, 0);
    }
    return syscall(SYS_renameat, AT_FDCWD, from, AT_FDCWD, to);
}

int unlink(const char *path) {
    if (counts_path(path)) {
        if (fail(UNLINK, path, judge(UNLINK))) return -1;
        note(UNLINK, path, 0, 0);
    }
    return syscall(SYS_unlinkat, AT_FDCWD, path, 0);
}

int mkdir(const char *path, mode_t mode) {
    if (counts_path(path)) {
        if (fail(MKDIR, path, judge(MKDIR))) return -1;
        note(MKDIR, path, 0, 0);
    }
    return syscall(SYS_mkdirat, AT_FDCWD, path, mode);
}

static int truncate_file(int fd, off_t size) {
    char path[PATH_MAX];
    if (counts_fd(fd, path)) {
        if (fail(FTRUNCATE, path, judge(FTRUNCATE))) return -1;
        note(FTRUNCATE, path, 0, size);
    }
    return syscall(SYS_ftruncate, fd, size);
}

int ftruncate(int fd, off_t size) { return truncate_file(fd, size); }
int ftruncate64(int fd, off64_t size) { return truncate_file(fd, size); }

int clock_gettime(clockid_t clock, struct timespec *at) {
    static int (*ask)(clockid_t, struct timespec *);
    if (!ask) ask = real("clock_gettime");
    int done = ask(clock, at);
    if (!done && clock_ns && clock == CLOCK_REALTIME) {
        int64_t ns = (int64_t)at->tv_sec * 1000000000 + at->tv_nsec + *clock_ns;
        at->tv_sec = ns / 1000000000;
        at->tv_nsec = ns % 1000000000;
    }
    return done;
}

int gettimeofday(struct timeval *restrict at, void *restrict zone) {
    struct timespec now;
    (void)zone;
    clock_gettime(CLOCK_REALTIME, &now);
    at->tv_sec = now.tv_sec;
    at->tv_usec = now.tv_nsec / 1000;
    return 0;
}

time_t time(time_t *at) {
    struct timespec now;
    clock_gettime(CLOCK_REALTIME, &now);
    if (at) *at = now.tv_sec;
    return now.tv_sec;
}

int epoll_wait(int fd, struct epoll_event *events, int most, int timeout_ms) {
    static int (*wait)(int, struct epoll_event *, int, int);
    if (!wait) wait = real("epoll_wait");
    if (stall_ns && *stall_ns) {
        struct timespec sleep = {*stall_ns / 1000000000, *stall_ns % 1000000000};
        *stall_ns = 0;
        nanosleep(&sleep, NULL);
    }
    return wait(fd, events, most, timeout_ms);
}
