/* Preloaded into a process (LD_PRELOAD): notes what it asks of the disk, in order, so that crash images can be made.

   CRASH_ROOT   folder whose files are watched (absolute, without links)
   CRASH_LOG    file the notes go to, appended
   CRASH_ACKS   file whose lines are acknowledgements: kept in their place among the writes

   A note: u8 kind, u64 a, u64 b, u32 length, bytes.  Little-endian.  kinds:
     C create path (a = inode)      W write (a = inode, b = offset)   T truncate (a = inode, b = size)
     s sync begins (a = inode, b = token)                             S sync is done (b = token)
     d sync of a folder begins (b = token, path)                      S as above
     R rename "old\0new"            U unlink path                     M mkdir path     D rmdir path
     A acknowledgement (bytes)      N sent to a socket (a = descriptor, bytes)
   The lock on the log is held over a call and its note, so that the order of notes is that of effects, also between
   processes.  A sync is not held: what is written while it runs is not covered by it. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <pthread.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/uio.h>
#include <unistd.h>

enum { FDS = 65536, OTHER = 0, WATCHED = 1, FOLDER = 2, ACKS = 3 };

static pthread_mutex_t mutex = PTHREAD_MUTEX_INITIALIZER;
static unsigned char kind_of[FDS];
static const char *root, *acks;
static size_t root_length;
static int log_fd = -1;
static uint64_t tokens;

static void ready(void) {
  if (log_fd >= 0 || root != NULL) return;
  root = getenv("CRASH_ROOT");
  acks = getenv("CRASH_ACKS");
  const char *log = getenv("CRASH_LOG");
  if (root == NULL || log == NULL) { root = ""; return; }
  root_length = strlen(root);
  log_fd = (int)syscall(SYS_openat, AT_FDCWD, log, O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0644);
}

static void forked(void) { /* a child shares our open log, and a lock belongs to the opening: it needs its own */
  if (log_fd < 0) return;
  syscall(SYS_close, log_fd);
  log_fd = -1;
  root = NULL;
  pthread_mutex_init(&mutex, NULL);
  ready();
}

__attribute__((constructor)) static void begin(void) {
  ready();
  pthread_atfork(NULL, NULL, forked);
}

static void lock(void) {
  pthread_mutex_lock(&mutex);
  if (log_fd >= 0) flock(log_fd, LOCK_EX);
}

static void unlock(void) {
  int kept = errno;
  if (log_fd >= 0) flock(log_fd, LOCK_UN);
  pthread_mutex_unlock(&mutex);
  errno = kept;
}

static void note(char kind, uint64_t a, uint64_t b, const void *bytes, size_t length) {
  if (log_fd < 0) return;
  int kept = errno;
  unsigned char head[21];
  uint32_t n = (uint32_t)length;
  head[0] = (unsigned char)kind;
  memcpy(head + 1, &a, 8), memcpy(head + 9, &b, 8), memcpy(head + 17, &n, 4);
  struct iovec parts[2] = {{head, sizeof head}, {(void *)bytes, length}};
  ssize_t done = syscall(SYS_writev, log_fd, parts, 2);
  if (done != (ssize_t)(sizeof head + length)) abort();
  errno = kept;
}

static int inside(const char *path) {
  return root_length && strncmp(path, root, root_length) == 0 && (path[root_length] == '/' || path[root_length] == 0);
}

/* Absolute path in the root, or NULL. */
static const char *absolute(int at, const char *path, char *into) {
  if (!root_length || path == NULL) return NULL;
  if (path[0] == '/') return inside(path) && strlen(path) < PATH_MAX ? strcpy(into, path) : NULL;
  char base[PATH_MAX], link[64];
  if (at == AT_FDCWD) {
    if (getcwd(base, sizeof base) == NULL) return NULL;
  } else {
    snprintf(link, sizeof link, "/proc/self/fd/%d", at);
    ssize_t n = readlink(link, base, sizeof base - 1);
    if (n < 0) return NULL;
    base[n] = 0;
  }
  if (snprintf(into, PATH_MAX, "%s/%s", base, path) >= PATH_MAX) return NULL;
  return inside(into) ? into : NULL;
}

static uint64_t inode(int fd) {
  struct stat found;
  return fstat(fd, &found) == 0 ? (uint64_t)found.st_ino : 0;
}

static int opened(int at, const char *path, int flags, mode_t mode) {
  char whole[PATH_MAX];
  ready();
  if (path != NULL && acks != NULL && strcmp(path, acks) == 0) {
    int fd = (int)syscall(SYS_openat, at, path, flags, mode);
    if (fd >= 0 && fd < FDS) kind_of[fd] = ACKS;
    return fd;
  }
  if (absolute(at, path, whole) == NULL) {
    int fd = (int)syscall(SYS_openat, at, path, flags, mode);
    if (fd >= 0 && fd < FDS) kind_of[fd] = OTHER;
    return fd;
  }
  lock();
  struct stat before;
  int known = stat(whole, &before) == 0;
  int fd = (int)syscall(SYS_openat, at, path, flags, mode);
  if (fd >= 0 && fd < FDS) {
    struct stat now;
    fstat(fd, &now);
    kind_of[fd] = S_ISDIR(now.st_mode) ? FOLDER : S_ISREG(now.st_mode) ? WATCHED : OTHER;
    if (kind_of[fd] == WATCHED && !known) note('C', now.st_ino, 0, whole, strlen(whole));
    if (kind_of[fd] == WATCHED && known && (flags & O_TRUNC) && before.st_size) note('T', now.st_ino, 0, NULL, 0);
  }
  unlock();
  return fd;
}

#define MODE(flags, last) \
  mode_t mode = 0; \
  if ((flags) & (O_CREAT | O_TMPFILE)) { va_list rest; va_start(rest, last); mode = va_arg(rest, mode_t); va_end(rest); }

int open(const char *path, int flags, ...) { MODE(flags, flags) return opened(AT_FDCWD, path, flags, mode); }
int open64(const char *path, int flags, ...) { MODE(flags, flags) return opened(AT_FDCWD, path, flags, mode); }
int openat(int at, const char *path, int flags, ...) { MODE(flags, flags) return opened(at, path, flags, mode); }
int openat64(int at, const char *path, int flags, ...) { MODE(flags, flags) return opened(at, path, flags, mode); }

int close(int fd) {
  if (fd >= 0 && fd < FDS) kind_of[fd] = OTHER;
  return (int)syscall(SYS_close, fd);
}

static int kind(int fd) { return fd >= 0 && fd < FDS ? kind_of[fd] : OTHER; }

ssize_t write(int fd, const void *bytes, size_t n) {
  if (kind(fd) == OTHER) return syscall(SYS_write, fd, bytes, n);
  lock();
  ssize_t done = syscall(SYS_write, fd, bytes, n);
  if (done > 0 && kind(fd) == ACKS) note('A', 0, 0, bytes, (size_t)done);
  if (done > 0 && kind(fd) == WATCHED)
    note('W', inode(fd), (uint64_t)(lseek(fd, 0, SEEK_CUR) - done), bytes, (size_t)done);
  unlock();
  return done;
}

ssize_t pwrite64(int fd, const void *bytes, size_t n, off64_t at) {
  if (kind(fd) != WATCHED) return syscall(SYS_pwrite64, fd, bytes, n, at);
  lock();
  ssize_t done = syscall(SYS_pwrite64, fd, bytes, n, at);
  if (done > 0) note('W', inode(fd), (uint64_t)at, bytes, (size_t)done);
  unlock();
  return done;
}
ssize_t pwrite(int fd, const void *bytes, size_t n, off_t at) { return pwrite64(fd, bytes, n, at); }

static ssize_t unseen(const char *what) { /* would change a file behind our back: better no log than a wrong one */
  fprintf(stderr, "write_recorder: %s on a watched file is not recorded\n", what);
  abort();
}
ssize_t writev(int fd, const struct iovec *parts, int n) {
  return kind(fd) == WATCHED ? unseen("writev") : syscall(SYS_writev, fd, parts, n);
}
ssize_t sendfile64(int out, int in, off64_t *at, size_t n) {
  return kind(out) == WATCHED ? unseen("sendfile") : syscall(SYS_sendfile, out, in, at, n);
}
ssize_t sendfile(int out, int in, off_t *at, size_t n) { return sendfile64(out, in, at, n); }

int ftruncate64(int fd, off64_t size) {
  if (kind(fd) != WATCHED) return (int)syscall(SYS_ftruncate, fd, size);
  lock();
  int done = (int)syscall(SYS_ftruncate, fd, size);
  if (done == 0) note('T', inode(fd), (uint64_t)size, NULL, 0);
  unlock();
  return done;
}
int ftruncate(int fd, off_t size) { return ftruncate64(fd, size); }

static int synced(int fd, long call) {
  if (kind(fd) != WATCHED && kind(fd) != FOLDER) return (int)syscall(call, fd);
  char link[64], path[PATH_MAX];
  lock();
  uint64_t token = ((uint64_t)getpid() << 32) | ++tokens;
  if (kind(fd) == FOLDER) {
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t n = readlink(link, path, sizeof path);
    note('d', 0, token, path, n > 0 ? (size_t)n : 0);
  } else {
    note('s', inode(fd), token, NULL, 0);
  }
  unlock();
  int done = (int)syscall(call, fd);
  lock();
  if (done == 0) note('S', 0, token, NULL, 0);
  unlock();
  return done;
}
int fsync(int fd) { return synced(fd, SYS_fsync); }
int fdatasync(int fd) { return synced(fd, SYS_fdatasync); }

static int renamed(int from, const char *old, int to, const char *new, unsigned flags) {
  char a[PATH_MAX], b[PATH_MAX], both[2 * PATH_MAX];
  lock();
  const char *first = absolute(from, old, a), *second = absolute(to, new, b);
  int done = (int)syscall(SYS_renameat2, from, old, to, new, flags);
  if (done == 0 && first && second) {
    size_t n = strlen(first) + 1, m = strlen(second);
    memcpy(both, first, n), memcpy(both + n, second, m);
    note('R', 0, 0, both, n + m);
  }
  unlock();
  return done;
}
int rename(const char *old, const char *new) { return renamed(AT_FDCWD, old, AT_FDCWD, new, 0); }
int renameat(int from, const char *old, int to, const char *new) { return renamed(from, old, to, new, 0); }
int renameat2(int from, const char *old, int to, const char *new, unsigned flags) {
  return renamed(from, old, to, new, flags);
}

static int removed(int at, const char *path, int flags) {
  char whole[PATH_MAX];
  lock();
  const char *found = absolute(at, path, whole);
  int done = (int)syscall(SYS_unlinkat, at, path, flags);
  if (done == 0 && found) note(flags & AT_REMOVEDIR ? 'D' : 'U', 0, 0, found, strlen(found));
  unlock();
  return done;
}
int unlink(const char *path) { return removed(AT_FDCWD, path, 0); }
int rmdir(const char *path) { return removed(AT_FDCWD, path, AT_REMOVEDIR); }
int unlinkat(int at, const char *path, int flags) { return removed(at, path, flags); }

int mkdirat(int at, const char *path, mode_t mode) {
  char whole[PATH_MAX];
  lock();
  const char *found = absolute(at, path, whole);
  int done = (int)syscall(SYS_mkdirat, at, path, mode);
  if (done == 0 && found) note('M', 0, 0, found, strlen(found));
  unlock();
  return done;
}
int mkdir(const char *path, mode_t mode) { return mkdirat(AT_FDCWD, path, mode); }

ssize_t sendto(int fd, const void *bytes, size_t n, int flags, const struct sockaddr *to, socklen_t size) {
  lock(); /* noted before it leaves: whoever hears it has heard it after this place in the log */
  note('N', (uint64_t)fd, 0, bytes, n);
  unlock();
  return syscall(SYS_sendto, fd, bytes, n, flags, to, size);
}
ssize_t send(int fd, const void *bytes, size_t n, int flags) { return sendto(fd, bytes, n, flags, NULL, 0); }
