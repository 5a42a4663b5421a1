/* Preloaded into the daemon: moves the wall clock, and it alone, by the seconds that the file $CLOCK_OFF_BY holds. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

int clock_gettime(clockid_t clock, struct timespec *now)
{
    static int (*real)(clockid_t, struct timespec *);
    if (!real) real = dlsym(RTLD_NEXT, "clock_gettime");
    int done = real(clock, now);
    if (done == 0 && clock == CLOCK_REALTIME && getenv("CLOCK_OFF_BY")) {
        FILE *file = fopen(getenv("CLOCK_OFF_BY"), "r");
        long seconds = 0;
        if (file) { if (fscanf(file, "%ld", &seconds) == 1) now->tv_sec += seconds; fclose(file); }
    }
    return done;
}
