/* Put before the C library (LD_PRELOAD): the wall clock runs as many seconds off as the file named by CLOCK_OFF_FILE says. */
#define _GNU_SOURCE
#include <stdlib.h>
#include <stdio.h>
#include <sys/syscall.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>

static long off(void)
{
    const char *name = getenv("CLOCK_OFF_FILE");
    FILE *file = name ? fopen(name, "r") : NULL;
    long seconds = 0;
    if (file) {
        if (fscanf(file, "%ld", &seconds) != 1)
            seconds = 0;
        fclose(file);
    }
    return seconds;
}

int clock_gettime(clockid_t id, struct timespec *at)
{
    int failed = (int)syscall(SYS_clock_gettime, id, at);
    if (!failed && id == CLOCK_REALTIME)
        at->tv_sec += off();
    return failed;
}

int gettimeofday(struct timeval *at, void *zone)
{
    struct timespec now;
    (void)zone;
    if (clock_gettime(CLOCK_REALTIME, &now))
        return -1;
    at->tv_sec = now.tv_sec;
    at->tv_usec = now.tv_nsec / 1000;
    return 0;
}

time_t time(time_t *into)
{
    struct timespec now;
    if (clock_gettime(CLOCK_REALTIME, &now))
        return (time_t)-1;
    if (into)
        *into = now.tv_sec;
    return now.tv_sec;
}
