/* The kernels as a library for Python: compile this into a shared library. See tapeemu/loop_library.py.
 *
 * SPDX-License-Identifier: ISC
 */
#define KERNEL static __attribute__((unused))

#include "subset.h"

#if defined(_WIN32)
#define LOOP __declspec(dllexport)
#else
#define LOOP __attribute__((visibility("default")))
#endif

#include "loops.inc"

#ifndef TAPEEMU_DIGEST
#define TAPEEMU_DIGEST ""
#endif

const char *loops_digest(void);
int loops_wide(void);

/* Of the sources that this was made from. */
LOOP const char *loops_digest(void)
{
    return TAPEEMU_DIGEST;
}

/* Whether the build for newer processors runs here. */
LOOP int loops_wide(void)
{
#if defined(__x86_64__)
    return __builtin_cpu_supports("avx2") != 0;
#else
    return 0;
#endif
}
