/* The plug-ins of all formats in one file: compile this. SPDX-License-Identifier: ISC */
#if !defined(_WIN32)
#define _POSIX_C_SOURCE 200809L
#endif

#include "tapeemu.c"

#include "live.c"

#include <stdlib.h>
#include <string.h>

#include "shapes.h"

#include "tables.inc"

#include "decimal.c"

#include "tree.c"

#include "preset.c"

#include "numbers.c"

#include "system.c"

#include "setup.c"

#include "core.c"

#if defined(_WIN32)
#define EXPORTED __declspec(dllexport)
#else
#define EXPORTED __attribute__((visibility("default")))
#endif

/* The licence asks for its notice in all copies, and a plug-in may be copied as a single file. */
EXPORTED const char tapeemu_notice[] = NOTICE;

#include "clap.c"

#include "lv2.c"

#include "vst3.c"
