/* Generated from levels.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_LEVELS_H
#define TAPEEMU_LEVELS_H

#include "subset.h"

KERNEL ix levels_weighted_energy(reals_2 block, reals_2 coefficients, reals_3 state, reals_2 energy, ix filled, ix hop);
KERNEL real levels_interpolated_peak(reals_2 padded, reals_2 phases, real overshoot, real largest);

#endif
