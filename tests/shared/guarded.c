/* Runs the cases of a file as emulated.c does, in memory of exactly the size asked for, under the sanitizers. */
#include <stdio.h>
#include <stdlib.h>

#include "proof.c"

static void *filled(FILE *file, size_t bytes)
{
    void *made = malloc(bytes + 1);
    if (fread(made, 1, bytes, file) != bytes)
        exit(3);
    return made;
}

int main(int count, char **names)
{
    FILE *from = fopen(names[1], "rb"), *to = fopen(names[2], "wb");
    int64_t head[3];
    while (count == 3 && fread(head, sizeof head, 1, from) == 1) {
        tapeemu_number *given = filled(from, (size_t)head[0] * 8);
        tapeemu_real *in = filled(from, (size_t)head[1] * sizeof *in);
        tapeemu_real *out = calloc((size_t)head[2] + 1, sizeof *out);
        int64_t told[TOLD + 2] = {0};
        tapeemu_prove(given, NULL, 0, NULL, 0, in, out, 1, told);
        const size_t fast_bytes = (size_t)told[TOLD_FAST], slow_bytes = (size_t)told[TOLD_SLOW];
        void *fast = malloc(fast_bytes), *slow = malloc(slow_bytes);
        told[TOLD + 1] = tapeemu_prove(given, fast, fast_bytes, slow, slow_bytes, in, out,
            (ptrdiff_t)(head[2] / given[CASE_CHANNELS].whole / (given[CASE_CONTROL].whole > 0 ? 2 : 1)), told);
        fwrite(told, sizeof told, 1, to);
        fwrite(out, sizeof *out, (size_t)head[2], to);
        free(given);
        free(in);
        free(out);
        free(fast);
        free(slow);
    }
    fclose(from);
    fclose(to);
    return 0;
}
