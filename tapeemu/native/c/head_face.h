/* Generated from head_face.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_HEAD_FACE_H
#define TAPEEMU_HEAD_FACE_H

#include "elementary.h"

typedef struct {
    double m0;
    double m1;
} head_face__sinh_cosh_result;

KERNEL head_face__sinh_cosh_result head_face_sinh_cosh(double x);
typedef struct {
    double m0;
    double m1;
} head_face__edge_result;

KERNEL head_face__edge_result head_face_edge(double s, double real_, double imaginary, double side);
typedef struct {
    double m0;
    double m1;
} head_face__one_over_sinh_result;

KERNEL head_face__one_over_sinh_result head_face_one_over_sinh(double real_, double imaginary);
KERNEL void head_face_face_nodes(doubles_2 nodes);
KERNEL double head_face_face_response(doubles_2 nodes, double thin, double deep, double x);
KERNEL double head_face_first_bump_db(doubles_2 nodes, double thin, double deep);
typedef struct {
    double m0;
    double m1;
} head_face_face_shares_result;

KERNEL head_face_face_shares_result head_face_face_shares(doubles_2 nodes, double bump_db);

#endif
