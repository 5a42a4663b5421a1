/* Preloaded into a process that writes a journal: puts down every write, truncation, sync and unlink of the files whose
   path begins with $RECORD_UNDER, and every write to standard output, into the file $RECORD_TO, in order.
   A record: kind, file number, offset, length, then the bytes. Single-threaded writers only. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <sys/types.h>
#include <unistd.h>

static int log_fd = -1, numbers[1024];
static ssize_t (*real_write)(int, const void *, size_t);

static void put(char kind, int number, int64_t offset, const void *bytes, int64_t length)
{
    if (log_fd < 0) return;
    int64_t head[4] = { kind, number, offset, length };
    real_write(log_fd, head, sizeof head);
    if (bytes && length > 0) real_write(log_fd, bytes, length);
}

__attribute__((constructor)) static void begin(void)
{
    real_write = dlsym(RTLD_NEXT, "write");
    int (*real_open)(const char *, int, ...) = dlsym(RTLD_NEXT, "open64");
    if (getenv("RECORD_TO")) log_fd = real_open(getenv("RECORD_TO"), O_WRONLY | O_CREAT | O_APPEND, 0600);
}

static int number_of(int fd) { return fd >= 0 && fd < 1024 ? numbers[fd] : 0; }

static int opened(int fd, const char *path, int flags)
{
    static int count;
    const char *under = getenv("RECORD_UNDER");
    if (fd >= 0 && fd < 1024) {
        numbers[fd] = 0;
        if (log_fd >= 0 && under && strncmp(path, under, strlen(under)) == 0) {
            numbers[fd] = ++count;
            put('o', count, 0, path, strlen(path));
            if (flags & O_TRUNC) put('t', count, 0, 0, 0);
        }
    }
    return fd;
}

#define OPEN(name) int name(const char *path, int flags, ...) { \
    static int (*real)(const char *, int, ...); if (!real) real = dlsym(RTLD_NEXT, #name); \
    va_list more; va_start(more, flags); int mode = va_arg(more, int); va_end(more); \
    return opened(real(path, flags, mode), path, flags); }
OPEN(open)
OPEN(open64)

#define PWRITE(name) ssize_t name(int fd, const void *bytes, size_t length, off64_t offset) { \
    static ssize_t (*real)(int, const void *, size_t, off64_t); if (!real) real = dlsym(RTLD_NEXT, #name); \
    ssize_t done = real(fd, bytes, length, offset); \
    if (done > 0 && number_of(fd)) put('w', number_of(fd), offset, bytes, done); return done; }
PWRITE(pwrite)
PWRITE(pwrite64)

ssize_t write(int fd, const void *bytes, size_t length)
{
    int64_t offset = number_of(fd) ? lseek64(fd, 0, SEEK_CUR) : 0;
    ssize_t done = real_write(fd, bytes, length);
    if (done > 0 && number_of(fd)) put('w', number_of(fd), offset, bytes, done);
    if (done > 0 && fd == 1) put('a', 0, 0, bytes, done);
    return done;
}

#define TRUNCATE(name) int name(int fd, off64_t length) { \
    static int (*real)(int, off64_t); if (!real) real = dlsym(RTLD_NEXT, #name); \
    int done = real(fd, length); if (done == 0 && number_of(fd)) put('t', number_of(fd), length, 0, 0); return done; }
TRUNCATE(ftruncate)
TRUNCATE(ftruncate64)

#define SYNC(name) int name(int fd) { \
    static int (*real)(int); if (!real) real = dlsym(RTLD_NEXT, #name); \
    int done = real(fd); if (done == 0 && number_of(fd)) put('s', number_of(fd), 0, 0, 0); return done; }
SYNC(fsync)
SYNC(fdatasync)

int unlink(const char *path)
{
    static int (*real)(const char *); if (!real) real = dlsym(RTLD_NEXT, "unlink");
    int done = real(path);
    if (done == 0) put('u', 0, 0, path, strlen(path));
    return done;
}

int close(int fd)
{
    static int (*real)(int); if (!real) real = dlsym(RTLD_NEXT, "close");
    if (fd >= 0 && fd < 1024) numbers[fd] = 0;
    return real(fd);
}
