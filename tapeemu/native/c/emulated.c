/* The frame of a program on a Cortex-M7 board (mps2-an500) in the emulator: start, files by semihosting, instructions
 * counted, stack measured. Runs every case of cases.bin into results.bin.
 *
 * A case in the file: three 64-bit numbers (count of numbers, samples times channels, room times channels), its numbers,
 * its audio. A result: what is told, the stack used, and the audio.
 *
 * SPDX-License-Identifier: ISC
 */
#include <stdint.h>

typedef uint32_t word;

static volatile word *const tick = (volatile word *)0xE000E010; /* control, reload, now: counts down */
static int64_t ticks_before;
static word last_tick;

/* Instructions so far: with -icount shift=0 the emulator runs one per nanosecond, and the board's clock is 25 MHz. */
static int64_t ticks(void)
{
    const word now = tick[2];
    ticks_before += (last_tick - now) & 0xFFFFFF;
    last_tick = now;
    return ticks_before;
}
#define TAPEEMU_TICKS() ticks()

#ifndef PROOF
#define PROOF "proof.c" /* or another file with a tapeemu_prove */
#endif
#include PROOF

static int host(int operation, const void *argument)
{
    register int r0 __asm__("r0") = operation;
    register const void *r1 __asm__("r1") = argument;
    __asm__ volatile("bkpt 0xab" : "+r"(r0) : "r"(r1) : "memory");
    return r0;
}

static int open_file(const char *name, int mode)
{
    word length = 0;
    while (name[length])
        length++;
    const word arguments[3] = {(word)name, (word)mode, length};
    return host(1, arguments);
}

static word read_file(int file, void *to, word bytes)
{
    const word arguments[3] = {(word)file, (word)to, bytes};
    return bytes - (word)host(6, arguments);
}

static void write_file(int file, const void *from, word bytes)
{
    const word arguments[3] = {(word)file, (word)from, bytes};
    host(5, arguments);
}

static void stop(int failed)
{
    host(0x18, (const void *)(failed ? 0x20023u : 0x20026u));
    for (;;)
        ;
}

extern char stack_top[], big_memory[], big_memory_end[];

#define STACK_BYTES 65536 /* that are looked at */

#define FAST_BYTES (3u << 20)
#define SLOW_BYTES (6u << 20)
static char fast_memory[FAST_BYTES] __attribute__((aligned(16)));

void *memset(void *at, int value, size_t count);
void *memcpy(void *to, const void *from, size_t count);
void *memmove(void *to, const void *from, size_t count);
/* By words where both sides lie so, as the libraries of compilers do: what is counted shall be near what a board does. */
#define OWN_LOOPS __attribute__((optimize("no-tree-loop-distribute-patterns")))

typedef word loose __attribute__((may_alias));

OWN_LOOPS void *memset(void *at, int value, size_t count)
{
    char *byte = at;
    if (((uintptr_t)at & 3) == 0) {
        const word four = 0x01010101u * (unsigned char)value;
        for (; count >= 16; count -= 16, byte += 16) {
            loose *to = (loose *)byte;
            to[0] = four;
            to[1] = four;
            to[2] = four;
            to[3] = four;
        }
        for (; count >= 4; count -= 4, byte += 4)
            *(loose *)byte = four;
    }
    for (; count > 0; count--)
        *byte++ = (char)value;
    return at;
}

OWN_LOOPS void *memcpy(void *to, const void *from, size_t count)
{
    const char *source = from;
    char *byte = to;
    if ((((uintptr_t)to | (uintptr_t)from) & 3) == 0) {
        for (; count >= 16; count -= 16, byte += 16, source += 16) {
            const loose *four = (const loose *)source;
            const word a = four[0], b = four[1], c = four[2], d = four[3];
            loose *target = (loose *)byte;
            target[0] = a;
            target[1] = b;
            target[2] = c;
            target[3] = d;
        }
        for (; count >= 4; count -= 4, byte += 4, source += 4)
            *(loose *)byte = *(const loose *)source;
    }
    for (; count > 0; count--)
        *byte++ = *source++;
    return to;
}

OWN_LOOPS void *memmove(void *to, const void *from, size_t count)
{
    if ((uintptr_t)to <= (uintptr_t)from)
        return memcpy(to, from, count);
    const char *source = from;
    for (char *byte = to; count > 0; count--)
        byte[count - 1] = source[count - 1];
    return to;
}

static void paint_stack(void)
{
    volatile char here = 0;
    for (volatile char *at = stack_top - STACK_BYTES; (uintptr_t)at < (uintptr_t)&here - 64; at++)
        *at = 0x5A;
}

static int64_t painted_over(void)
{
    const volatile char *at = stack_top - STACK_BYTES;
    while (at < stack_top && *at == 0x5A)
        at++;
    return (int64_t)(stack_top - at);
}

static void run(void)
{
    const int from = open_file("cases.bin", 1), to = open_file("results.bin", 5);
    if (from < 0 || to < 0)
        stop(1);
    int64_t head[3];
    while (read_file(from, head, sizeof head) == sizeof head) {
        char *at = big_memory;
        tapeemu_number *given = (void *)at;
        at += (head[0] * 8 + 15) / 16 * 16;
        tapeemu_real *in = (void *)at;
        at += (head[1] * (int64_t)sizeof *in + 15) / 16 * 16;
        tapeemu_real *out = (void *)at;
        at += (head[2] * (int64_t)sizeof *out + 15) / 16 * 16;
        if (at + SLOW_BYTES > big_memory_end)
            stop(1);
        read_file(from, given, (word)head[0] * 8);
        read_file(from, in, (word)head[1] * sizeof *in);
        int64_t told[TOLD + 2] = {0};
        const int64_t rows = given[CASE_CHANNELS].whole * (given[CASE_CONTROL].whole > 0 ? 2 : 1);
        paint_stack();
        told[TOLD + 1] = tapeemu_prove(
            given, fast_memory, FAST_BYTES, at, SLOW_BYTES, in, out, (ptrdiff_t)(head[2] / rows), told);
        told[TOLD] = painted_over();
        write_file(to, told, sizeof told);
        write_file(to, out, (word)head[2] * sizeof *out);
    }
    stop(0);
}

extern word data_load[], data_start[], data_end[];
extern char bss_start[], bss_end[];

void start(void);
void start(void)
{
    *(volatile word *)0xE000ED88 |= 0xFu << 20; /* the floating-point unit */
    __asm__ volatile("dsb\nisb");
    word status;
    __asm__ volatile("vmrs %0, fpscr" : "=r"(status));
    __asm__ volatile("vmsr fpscr, %0" : : "r"(status & ~(1u << 24))); /* small numbers are kept, as on the host */
    for (word *to = data_start, *from = data_load; to < data_end;)
        *to++ = *from++;
    for (char *at = bss_start; at < bss_end;)
        *at++ = 0;
    tick[1] = 0xFFFFFF;
    tick[2] = 0;
    tick[0] = 5;
    last_tick = tick[2];
    run();
}

static void fault(void)
{
    stop(1);
}

__attribute__((section(".vectors"), used)) static void (*const vectors[16])(void) = {
    (void (*)(void))stack_top, start, fault, fault, fault, fault, fault};
