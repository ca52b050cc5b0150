/* What generated kernels stand on: numbers, parts of arrays, and arithmetic as Python does it.
 *
 * Build switches:
 *   TAPEEMU_SINGLE   real numbers in single precision (default: double)
 *   TAPEEMU_STILL    settings never move: what follows them is left out (default: they may)
 *
 * In double precision the results are those of Python, bit for bit.
 *
 * SPDX-License-Identifier: ISC
 */
#ifndef TAPEEMU_SUBSET_H
#define TAPEEMU_SUBSET_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* One arithmetic in every build, whatever the compiler is told and whatever the processor could: nothing is fused. Some
 * designs are solved by iterations whose path turns on a last bit, so that a fused multiply-add gave another filter. */
#if defined(__FAST_MATH__)
#error "compile without -ffast-math: sums must stay as they are written"
#endif
#if defined(__clang__)
#pragma STDC FP_CONTRACT OFF
#elif defined(__GNUC__)
#pragma GCC optimize("fp-contract=off")
#endif

#ifdef TAPEEMU_SINGLE
typedef float real;
#define REAL(number) ((real)(number##f))
#else
typedef double real;
#define REAL(number) ((real)(number))
#endif

#ifdef TAPEEMU_STILL
#define SETTINGS_MAY_MOVE false
#else
#define SETTINGS_MAY_MOVE true
#endif

/* What stands before every kernel: nothing where each file is compiled by itself, static where one file holds all, and
 * then written into its callers where its constants shall be theirs. */
#ifndef KERNEL
#define KERNEL
#define INLINED
#elif defined(__GNUC__)
#define INLINED static inline __attribute__((always_inline))
#else
#define INLINED KERNEL
#endif

#define INFINITE ((real)__builtin_inf())
#define NO_NUMBER ((real)__builtin_nan(""))

/* Indices and counts: as wide as addresses. Places on the tape are int64_t. */
typedef ptrdiff_t ix;
typedef size_t ux;

/* Contiguous arrays and parts of them; the last dimension is the innermost. */
#define TAPEEMU_VIEWS(name, type)                                                                                      \
    typedef struct { type *at; ix n0; } name##s_1;                                                                     \
    typedef struct { type *at; ix n0, n1; } name##s_2;                                                                 \
    typedef struct { type *at; ix n0, n1, n2; } name##s_3;
TAPEEMU_VIEWS(real, real)
TAPEEMU_VIEWS(float, float)
TAPEEMU_VIEWS(double, double)
TAPEEMU_VIEWS(int32, int32_t)
TAPEEMU_VIEWS(int64, int64_t)
TAPEEMU_VIEWS(uint64, uint64_t)
#undef TAPEEMU_VIEWS

/* Before a loop over lanes: gcc would write it out, and then no longer put it into vectors. Where there are none it is
 * written out, or the lanes would lie in memory. */
#if defined(__GNUC__) && !defined(__clang__) && defined(__arm__)
#define IN_LANES _Pragma("GCC unroll 8")
#elif defined(__GNUC__) && !defined(__clang__)
#define IN_LANES _Pragma("GCC unroll 1")
#else
#define IN_LANES
#endif

/* As Python compares: the first where both are equal or one is no number. */
#define TAPEEMU_EXTREMES(suffix, type)                                                                                 \
    static inline type smaller##suffix(type a, type b) { return b < a ? b : a; }                                       \
    static inline type larger##suffix(type a, type b) { return b > a ? b : a; }
TAPEEMU_EXTREMES(, real)
TAPEEMU_EXTREMES(_single, float)
TAPEEMU_EXTREMES(_double, double)
TAPEEMU_EXTREMES(_integer, ix)
TAPEEMU_EXTREMES(_unsigned, ux)
TAPEEMU_EXTREMES(_integer_64, int64_t)
TAPEEMU_EXTREMES(_unsigned_64, uint64_t)
#undef TAPEEMU_EXTREMES

/* Division and remainder of integers round down, also below zero. */
#define TAPEEMU_INTEGERS(suffix, type)                                                                                 \
    static inline type floor_division##suffix(type a, type b) {                                                        \
        const type quotient = a / b;                                                                                   \
        return (a % b != 0 && (a < 0) != (b < 0)) ? quotient - 1 : quotient;                                           \
    }                                                                                                                  \
    static inline type floor_remainder##suffix(type a, type b) {                                                       \
        const type rest = a % b;                                                                                       \
        return (rest != 0 && (rest < 0) != (b < 0)) ? rest + b : rest;                                                 \
    }                                                                                                                  \
    static inline type magnitude_of_integer##suffix(type a) { return a < 0 ? -a : a; }
TAPEEMU_INTEGERS(, ix)
TAPEEMU_INTEGERS(_64, int64_t)
#undef TAPEEMU_INTEGERS

/* Roots without a library, rounded right: the instruction of the machine, without a case for negative numbers. */
#if defined(__clang__)
#if __has_builtin(__builtin_elementwise_sqrt)
#define TAPEEMU_ROOT_DOUBLE(x) __builtin_elementwise_sqrt(x)
#define TAPEEMU_ROOT_SINGLE(x) __builtin_elementwise_sqrt(x)
#endif
#endif
#if !defined(TAPEEMU_ROOT_DOUBLE) && defined(__SSE2__)
#include <emmintrin.h>
#define TAPEEMU_ROOT_DOUBLE(x) _mm_cvtsd_f64(_mm_sqrt_pd(_mm_set_sd(x)))
#define TAPEEMU_ROOT_SINGLE(x) _mm_cvtss_f32(_mm_sqrt_ss(_mm_set_ss(x)))
#elif !defined(TAPEEMU_ROOT_DOUBLE) && defined(__ARM_FP) && __ARM_FP >= 12
static inline double arm_root_double(double x) {
    __asm__("vsqrt.f64 %P0, %P1" : "=w"(x) : "w"(x));
    return x;
}
static inline float arm_root_single(float x) {
    __asm__("vsqrt.f32 %0, %1" : "=t"(x) : "t"(x));
    return x;
}
#define TAPEEMU_ROOT_DOUBLE(x) arm_root_double(x)
#define TAPEEMU_ROOT_SINGLE(x) arm_root_single(x)
#endif
#ifndef TAPEEMU_ROOT_DOUBLE /* needs -fno-math-errno, or a mathematical library for what is below zero */
#define TAPEEMU_ROOT_DOUBLE(x) __builtin_sqrt(x)
#define TAPEEMU_ROOT_SINGLE(x) __builtin_sqrtf(x)
#endif

/* Rounding by an instruction where there is one, else by way of an integer of 64 bits: exact below 2^63, where every
 * kernel stays. */
#if defined(__SSE4_1__) || defined(__aarch64__) || defined(__wasm__) || defined(__ARM_FEATURE_DIRECTED_ROUNDING)
#define TAPEEMU_ROUNDS 1
#else
#define TAPEEMU_ROUNDS 0
#endif
#define TAPEEMU_NUMBERS(suffix, type, root, size, floored, ceiled)                                                     \
    static inline type magnitude##suffix(type x) { return size(x); }                                                   \
    static inline type floor_of##suffix(type x) {                                                                      \
        if (TAPEEMU_ROUNDS)                                                                                            \
            return floored(x);                                                                                         \
        const type whole = (type)(int64_t)x;                                                                           \
        return whole > x ? whole - 1 : whole;                                                                          \
    }                                                                                                                  \
    static inline type ceiling_of##suffix(type x) {                                                                    \
        if (TAPEEMU_ROUNDS)                                                                                            \
            return ceiled(x);                                                                                          \
        const type whole = (type)(int64_t)x;                                                                           \
        return whole < x ? whole + 1 : whole;                                                                          \
    }                                                                                                                  \
    static inline type square_root##suffix(type x) { return root(x); }
TAPEEMU_NUMBERS(_single, float, TAPEEMU_ROOT_SINGLE, __builtin_fabsf, __builtin_floorf, __builtin_ceilf)
TAPEEMU_NUMBERS(_double, double, TAPEEMU_ROOT_DOUBLE, __builtin_fabs, __builtin_floor, __builtin_ceil)
#ifdef TAPEEMU_SINGLE
TAPEEMU_NUMBERS(, real, TAPEEMU_ROOT_SINGLE, __builtin_fabsf, __builtin_floorf, __builtin_ceilf)
#else
TAPEEMU_NUMBERS(, real, TAPEEMU_ROOT_DOUBLE, __builtin_fabs, __builtin_floor, __builtin_ceil)
#endif
#undef TAPEEMU_NUMBERS

#endif
