/* The kernels as a library for Python: compile this into a shared library. See tapeemu/loop_library.py.
 *
 * SPDX-License-Identifier: ISC
 */
#define KERNEL static __attribute__((unused))

#include "subset.h"

#if defined(__x86_64__)
#include <cpuid.h>
#endif

#if defined(_WIN32)
#define LOOP __declspec(dllexport)
#else
#define LOOP __attribute__((visibility("default")))
#endif

#include "loops.inc"

#ifndef TAPEEMU_DIGEST
#define TAPEEMU_DIGEST ""
#endif

LOOP const char *loops_digest(void);
LOOP int loops_wide(void);

/* Of the sources that this was made from. */
LOOP const char *loops_digest(void)
{
    return TAPEEMU_DIGEST;
}

/* How many of the builds for newer processors run here: the processor has AVX2, or AVX-512 of four kinds as well, and the
 * system keeps its registers. Asked of the processor itself, as its maker's manual says; the compilers' own call for it
 * is not in every library. */
LOOP int loops_wide(void)
{
#if defined(__x86_64__)
    unsigned int a, b, c, d, kept;
    if (!__get_cpuid(1, &a, &b, &c, &d) || (c & bit_OSXSAVE) == 0)
        return 0;
    __asm__("xgetbv" : "=a"(kept), "=d"(d) : "c"(0));
    if ((kept & 6) != 6 || !__get_cpuid_count(7, 0, &a, &b, &c, &d) || (b & bit_AVX2) == 0)
        return 0;
    /* F, DQ, BW and VL. */
    const unsigned int eight = 1u << 16 | 1u << 17 | 1u << 30 | 1u << 31;
    return (kept & 0xe6) == 0xe6 && (b & eight) == eight ? 2 : 1;
#else
    return 0;
#endif
}

#if defined(_WIN32) && defined(TAPEEMU_BARE)
int __stdcall DllMainCRTStartup(void *library, unsigned long reason, void *reserved);

/* Called by the system when the library is loaded, where the compiler's own start is left out: nothing needs one. */
int __stdcall DllMainCRTStartup(void *library, unsigned long reason, void *reserved)
{
    (void)library, (void)reason, (void)reserved;
    return 1;
}
#endif
