/* Preloaded into a program: a name that ends in .rig is asked for SLOW_NAMES_MS in vain, as where the name server is away.
   gcc -shared -fPIC -O2 -o slow_names.so slow_names.c -ldl */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <netdb.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

int getaddrinfo(const char *name, const char *service, const struct addrinfo *hints, struct addrinfo **found) {
  int (*really)(const char *, const char *, const struct addrinfo *, struct addrinfo **) =
      (int (*)(const char *, const char *, const struct addrinfo *, struct addrinfo **))dlsym(RTLD_NEXT, "getaddrinfo");
  size_t length = name ? strlen(name) : 0;
  if (length < 4 || strcmp(name + length - 4, ".rig") != 0) return really(name, service, hints, found);
  const char *text = getenv("SLOW_NAMES_MS");
  long ms = text ? atol(text) : 0;
  struct timespec left = {ms / 1000, ms % 1000 * 1000000L};
  while (nanosleep(&left, &left)) {
  }
  return EAI_AGAIN;
}
