/* What C99 does not have, or not alike everywhere: a thread, a short wait, a file whose name is UTF-8, the user's own
 * presets, the entry of a library of Windows. SPDX-License-Identifier: ISC */

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

enum { MOST_PATH = 1024 };

/* The bytes of a file, to be freed; NULL, and the system's number of the reason, if it cannot be read. A longer file is
 * read as far as `most`. */
static char *read_file(const char *path, size_t most, size_t *bytes, int32_t *reason)
{
    wchar_t wide[MOST_PATH];
    char *text = malloc(most);
    HANDLE file = INVALID_HANDLE_VALUE;
    DWORD done = 0;
    if (text != NULL && MultiByteToWideChar(CP_UTF8, 0, path, -1, wide, MOST_PATH) > 0)
        file = CreateFileW(wide, GENERIC_READ, FILE_SHARE_READ, NULL, OPEN_EXISTING, FILE_ATTRIBUTE_NORMAL, NULL);
    const bool good = file != INVALID_HANDLE_VALUE && ReadFile(file, text, (DWORD)most, &done, NULL) != 0;
    *reason = good ? 0 : (int32_t)GetLastError();
    *bytes = done;
    if (file != INVALID_HANDLE_VALUE)
        CloseHandle(file);
    if (!good) {
        free(text);
        text = NULL;
    }
    return text;
}

/* The folder of the user's own presets, as tapeemu/presets/places.py has it; false if there is none. */
static bool own_presets(char *to, size_t room)
{
    static const wchar_t BEHIND[] = L"\\tapeemu\\presets";
    enum { BEHIND_LENGTH = sizeof BEHIND / sizeof *BEHIND };
    wchar_t wide[MOST_PATH];
    const DWORD length = GetEnvironmentVariableW(L"LOCALAPPDATA", wide, MOST_PATH - BEHIND_LENGTH);
    if (length == 0 || length >= MOST_PATH - BEHIND_LENGTH)
        return false;
    memcpy(wide + length, BEHIND, sizeof BEHIND);
    const DWORD found = GetFileAttributesW(wide);
    return found != INVALID_FILE_ATTRIBUTES && (found & FILE_ATTRIBUTE_DIRECTORY) != 0 &&
        WideCharToMultiByte(CP_UTF8, 0, wide, -1, to, (int)room, NULL, NULL) > 0;
}
#else
#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

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

enum { MOST_PATH = 1024 };

/* The bytes of a file, to be freed; NULL, and the system's number of the reason, if it cannot be read. A longer file is
 * read as far as `most`. */
static char *read_file(const char *path, size_t most, size_t *bytes, int32_t *reason)
{
    char *text = malloc(most);
    const int file = text == NULL ? -1 : open(path, O_RDONLY);
    ssize_t now = -1;
    *bytes = 0;
    while (file >= 0 && *bytes < most && (now = read(file, text + *bytes, most - *bytes)) > 0)
        *bytes += (size_t)now;
    *reason = now < 0 ? errno : 0;
    if (file >= 0)
        close(file);
    if (now < 0) {
        free(text);
        text = NULL;
    }
    return text;
}

/* The folder of the user's own presets, as tapeemu/presets/places.py has it; false if there is none. */
static bool own_presets(char *to, size_t room)
{
#if defined(__APPLE__)
    const char *base = getenv("HOME"), *behind = "/Library/Application Support/tapeemu/presets";
#else
    const char *base = getenv("XDG_DATA_HOME"), *behind = "/tapeemu/presets";
    if (base == NULL || *base == '\0') {
        base = getenv("HOME");
        behind = "/.local/share/tapeemu/presets";
    }
#endif
    struct stat found;
    if (base == NULL || strlen(base) + strlen(behind) >= room)
        return false;
    strcpy(to, base);
    strcat(to, behind);
    return stat(to, &found) == 0 && S_ISDIR(found.st_mode);
}
#endif
