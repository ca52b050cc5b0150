/* What C99 does not have: a thread, a short wait, the entry of a library of Windows. SPDX-License-Identifier: ISC */

#if defined(_WIN32)
#define WIN32_LEAN_AND_MEAN
#include <windows.h>

/* What the system calls when it loads the library: there is nothing to begin, its C library begins itself. */
BOOL WINAPI DllMainCRTStartup(HINSTANCE library, DWORD reason, LPVOID reserved)
{
    (void)library, (void)reason, (void)reserved;
    return TRUE;
}

typedef HANDLE Thread;

static DWORD WINAPI thread_entry(LPVOID data);

static bool begin_thread(Thread *thread, void *data)
{
    *thread = CreateThread(NULL, 0, thread_entry, data, 0, NULL);
    return *thread != NULL;
}

static void join_thread(Thread thread)
{
    WaitForSingleObject(thread, INFINITE);
    CloseHandle(thread);
}

static void wait_milliseconds(int count)
{
    Sleep((DWORD)count);
}
#else
#include <pthread.h>
#include <time.h>

typedef pthread_t Thread;

static void *thread_entry(void *data);

static bool begin_thread(Thread *thread, void *data)
{
    return pthread_create(thread, NULL, thread_entry, data) == 0;
}

static void join_thread(Thread thread)
{
    pthread_join(thread, NULL);
}

static void wait_milliseconds(int count)
{
    const struct timespec time = {0, count * 1000000L};
    nanosleep(&time, NULL);
}
#endif
