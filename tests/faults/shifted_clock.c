/* Preloaded into a program: its wall clock is off by as many nanoseconds as the file SHIFT_FILE says, at any moment.
   Steady clocks are left alone.   gcc -shared -fPIC -O2 -o shifted_clock.so shifted_clock.c */
#define _GNU_SOURCE
#include <fcntl.h>
#include <stdint.h>
#include <stdlib.h>
#include <sys/mman.h>
#include <sys/syscall.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>

static int64_t shift(void) {
  static volatile int64_t *at;
  if (!at) {
    const char *name = getenv("SHIFT_FILE");
    int file = name ? open(name, O_RDONLY) : -1;
    static int64_t none;
    void *map = file < 0 ? MAP_FAILED : mmap(NULL, 8, PROT_READ, MAP_SHARED, file, 0);
    if (file >= 0) close(file);
    at = map == MAP_FAILED ? &none : map;
  }
  return *at;
}

int clock_gettime(clockid_t which, struct timespec *now) {
  int answer = syscall(SYS_clock_gettime, which, now);
  if (answer == 0 && (which == CLOCK_REALTIME || which == CLOCK_REALTIME_COARSE)) {
    int64_t ns = now->tv_sec * 1000000000LL + now->tv_nsec + shift();
    now->tv_sec = ns / 1000000000LL;
    now->tv_nsec = ns % 1000000000LL;
  }
  return answer;
}

int gettimeofday(struct timeval *now, void *zone) {
  (void)zone;
  struct timespec ts;
  clock_gettime(CLOCK_REALTIME, &ts);
  now->tv_sec = ts.tv_sec;
  now->tv_usec = ts.tv_nsec / 1000;
  return 0;
}

time_t time(time_t *out) {
  struct timespec ts;
  clock_gettime(CLOCK_REALTIME, &ts);
  if (out) *out = ts.tv_sec;
  return ts.tv_sec;
}
