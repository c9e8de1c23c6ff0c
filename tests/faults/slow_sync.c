/* Preloaded into a program: every fsync and fdatasync takes SLOW_SYNC_MS longer, as on a worn card or a busy disk.
   gcc -shared -fPIC -O2 -o slow_sync.so slow_sync.c -ldl */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <stdlib.h>
#include <time.h>

static void wait_a_while(void) {
  const char *text = getenv("SLOW_SYNC_MS");
  long ms = text ? atol(text) : 0;
  struct timespec left = {ms / 1000, ms % 1000 * 1000000L};
  while (nanosleep(&left, &left)) {
  }
}

int fsync(int file) {
  int (*really)(int) = (int (*)(int))dlsym(RTLD_NEXT, "fsync");
  wait_a_while();
  return really(file);
}

int fdatasync(int file) {
  int (*really)(int) = (int (*)(int))dlsym(RTLD_NEXT, "fdatasync");
  wait_a_while();
  return really(file);
}
