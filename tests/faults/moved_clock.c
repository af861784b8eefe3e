/* The clock of the day, moved for one process by so many nanoseconds as the first eight bytes of the file
 * MOVED_CLOCK say at the moment; loaded before the C library (LD_PRELOAD). What runs on and on (CLOCK_MONOTONIC) is left
 * alone, as it is when the clock of a real machine is set. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <semaphore.h>
#include <stdint.h>
#include <stdlib.h>
#include <sys/mman.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>

#define SECOND INT64_C(1000000000)

static const volatile int64_t *moved;

__attribute__((constructor)) static void look(void)
{
    const char *path = getenv("MOVED_CLOCK");
    int file = path ? open(path, O_RDONLY | O_CLOEXEC) : -1;
    void *seen = file < 0 ? MAP_FAILED : mmap(NULL, sizeof(int64_t), PROT_READ, MAP_SHARED, file, 0);
    if (seen == MAP_FAILED)
        abort(); /* a clock that does not move would be a test that shows nothing */
    moved = seen;
    close(file);
}

static void add(struct timespec *instant, int64_t nanoseconds)
{
    int64_t sum = instant->tv_sec * SECOND + instant->tv_nsec + nanoseconds;
    instant->tv_sec = sum / SECOND;
    instant->tv_nsec = sum % SECOND;
}

int clock_gettime(clockid_t clock, struct timespec *now)
{
    static int (*real)(clockid_t, struct timespec *);
    if (!real)
        real = (int (*)(clockid_t, struct timespec *))dlsym(RTLD_NEXT, "clock_gettime");
    int status = real(clock, now);
    if (status == 0 && moved && (clock == CLOCK_REALTIME || clock == CLOCK_REALTIME_COARSE))
        add(now, *moved);
    return status;
}

int gettimeofday(struct timeval *restrict now, void *restrict zone)
{
    struct timespec instant;
    (void)zone;
    if (clock_gettime(CLOCK_REALTIME, &instant) != 0)
        return -1;
    now->tv_sec = instant.tv_sec;
    now->tv_usec = instant.tv_nsec / 1000;
    return 0;
}

time_t time(time_t *kept)
{
    struct timespec instant;
    clock_gettime(CLOCK_REALTIME, &instant);
    if (kept)
        *kept = instant.tv_sec;
    return instant.tv_sec;
}

/* The kernel, which waits here until an instant of the day, knows nothing of the move. */
int sem_timedwait(sem_t *restrict semaphore, const struct timespec *restrict until)
{
    static int (*real)(sem_t *, const struct timespec *);
    if (!real)
        real = (int (*)(sem_t *, const struct timespec *))dlsym(RTLD_NEXT, "sem_timedwait");
    struct timespec instant = *until;
    add(&instant, -*moved);
    return real(semaphore, &instant);
}
