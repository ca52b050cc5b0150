/* Generated from head_face.py (cd0fdf2b9211d0eb); do not edit. SPDX-License-Identifier: ISC */

/*
 * What the length of a head's face does to long waves: the rise in the bass, and the ripple above it.
 *
 * A replay head sees the tape by its gap, and against that by the outer edges of its poles. With half a face as
 * the unit of length, and a gap and a distance of nothing, its answer to a passing point is a pulse less two
 * echoes that begin when an edge passes::
 *
 *     G(x) = 1 - 2 E(x),  E(x) = integral from 1 to infinity of h(z) cos(pi x z) dz,  x = face / wavelength
 *
 * `h` is the field along the tape beyond the edge, by reciprocity. Two heads are known exactly:
 *
 * - thin poles: ``h = 1 / (pi z sqrt(z^2 - 1))``, which gives ``G = integral from 0 to pi x of J0``;
 * - poles that are deep without end, with square corners: the region over them is mapped on a half-plane by
 *   ``dz/dw ~ sqrt((w - 1) / w)``. With ``w = cosh(e / 2)^2`` that is ``sinh e - e = i pi (z - 1)``, and
 *   ``h = Re(1 / sinh e) / 2``.
 *
 * The integral is turned into the complex plane, ``z = 1 + i s``, where it is one of decaying exponentials and no
 * longer swings; a few dozen nodes, equally spaced in ``ln s``, give it to 1e-8. Derived here (conformal mapping, any
 * textbook of potential theory).
 */

#include "head_face.h"

#define HEAD_FACE_FACE_NODES 118
#define HEAD_FACE_PI REAL(0x1.921fb54442d18p+1)
#define HEAD_FACE_TURN REAL(0x1.921fb54442d18p+2)
#define HEAD_FACE_FIRST REAL(-29.0)
#define HEAD_FACE_STEP REAL(0x1.6666666666666p-2)
#define HEAD_FACE_NEPERS_PER_DB REAL(0x1.d791c5f888823p-4)
#define HEAD_FACE_NEWTON_STEPS 12
#define HEAD_FACE_DEEP_FROM REAL(0x1.3333333333333p-1)
#define HEAD_FACE_DEEP_TO REAL(0x1.e666666666666p-1)
#define HEAD_FACE_PEAK_STEPS 70
#define HEAD_FACE_S 0
#define HEAD_FACE_THIN_REAL 1
#define HEAD_FACE_THIN_IMAGINARY 2
#define HEAD_FACE_DEEP_REAL 3
#define HEAD_FACE_DEEP_IMAGINARY 4

/* Hyperbolic sine and cosine; the sine near zero by its series, for the difference would lose digits there. */
KERNEL head_face__sinh_cosh_result head_face_sinh_cosh(double x)
{
    const double up = elementary_exponential(x);
    const double down = 1.0 / up;
    double sinh = 0.5 * (up - down);
    const double cosh = 0.5 * (up + down);
    if (magnitude_double(x) < 0x1.47ae147ae147bp-6) {
        const double z = x * x;
        sinh = x * (1.0 + z / 6.0 * (1.0 + z / 20.0));
    }
    return (head_face__sinh_cosh_result){sinh, cosh};
}

/* Solve ``sinh e - e = side * pi * s`` by Newton's method, from a guess near it. */
KERNEL head_face__edge_result head_face_edge(double s, double real_, double imaginary, double side)
{
    for (ix _ = 0; _ < HEAD_FACE_NEWTON_STEPS; _++) {
        const head_face__sinh_cosh_result result_1 = head_face_sinh_cosh(real_);
        const double sinh = result_1.m0;
        const double cosh = result_1.m1;
        const double turns = imaginary / 0x1.921fb54442d18p+2;
        const double cosine = elementary_cosine_of_turns(turns);
        const double sine = elementary_sine_of_turns(turns);
        double value_real = sinh * cosine - real_ - side * 0x1.921fb54442d18p+1 * s;
        double value_imaginary = cosh * sine - imaginary;
        const double size2 = real_ * real_ + imaginary * imaginary;
        double slope_real = cosh * cosine - 1.0;
        double slope_imaginary = sinh * sine;
        if (size2 < 0x1.0624dd2f1a9fcp-10) {
            /* e^3 / 6 + e^5 / 120 and its derivative, without the difference of what is nearly equal. */
            const double s_real = real_ * real_ - imaginary * imaginary;
            const double s_imaginary = 2.0 * real_ * imaginary;
            const double c_real = real_ * s_real - imaginary * s_imaginary;
            const double c_imaginary = real_ * s_imaginary + imaginary * s_real;
            double f_real = 0x1.5555555555555p-3 + s_real / 120.0;
            double f_imaginary = s_imaginary / 120.0;
            value_real = c_real * f_real - c_imaginary * f_imaginary - side * 0x1.921fb54442d18p+1 * s;
            value_imaginary = c_real * f_imaginary + c_imaginary * f_real;
            f_real = 0.5 + s_real / 24.0;
            f_imaginary = s_imaginary / 24.0;
            slope_real = s_real * f_real - s_imaginary * f_imaginary;
            slope_imaginary = s_real * f_imaginary + s_imaginary * f_real;
        }
        const double size = slope_real * slope_real + slope_imaginary * slope_imaginary;
        real_ -= (value_real * slope_real + value_imaginary * slope_imaginary) / size;
        imaginary -= (value_imaginary * slope_real - value_real * slope_imaginary) / size;
    }
    return (head_face__edge_result){real_, imaginary};
}

/* ``1 / sinh`` of a complex number. */
KERNEL head_face__one_over_sinh_result head_face_one_over_sinh(double real_, double imaginary)
{
    const head_face__sinh_cosh_result result_1 = head_face_sinh_cosh(real_);
    const double sinh = result_1.m0;
    const double cosh = result_1.m1;
    const double turns = imaginary / 0x1.921fb54442d18p+2;
    const double a = sinh * elementary_cosine_of_turns(turns);
    const double b = cosh * elementary_sine_of_turns(turns);
    const double size = a * a + b * b;
    return (head_face__one_over_sinh_result){a / size, -b / size};
}

/*
 * Fill the table of nodes.
 *
 * Parameters
 * ----------
 * nodes : ndarray, shape (NODE_ROWS, FACE_NODES)
 *     Gets for every node its place s, in half lengths of the face, and the weights of its exponential.
 */
KERNEL void head_face_face_nodes(doubles_2 nodes)
{
    double low_real = 0.0;
    double up_real = 0.0;
    double up_imaginary = 0.0;
    for (ix j = 0; j < HEAD_FACE_FACE_NODES; j++) {
        const double s = elementary_exponential(-29.0 + 0x1.6666666666666p-2 * (double)j);
        nodes.at[j] = s;
        /* Thin poles: i s / (pi z sqrt(z^2 - 1)) with z = 1 + i s. */
        const double size = s * square_root_double(s * s + 4.0);
        double root_real = square_root_double(larger_double(0.5 * (size - s * s), 0.0));
        if (s > 1.0) {
            root_real = s / square_root_double(0.5 * (size + s * s));
        }
        const double root_imaginary = s / root_real;
        const double below_real = root_real - s * root_imaginary;
        const double below_imaginary = root_imaginary + s * root_real;
        const double below = below_real * below_real + below_imaginary * below_imaginary;
        nodes.at[HEAD_FACE_THIN_REAL * nodes.n1 + j] = 0x1.6666666666666p-2 * s / 0x1.921fb54442d18p+1 *
            below_imaginary / below;
        nodes.at[HEAD_FACE_THIN_IMAGINARY * nodes.n1 + j] = 0x1.6666666666666p-2 * s / 0x1.921fb54442d18p+1 *
            below_real / below;
        /* Deep poles: the solution for this node starts from that of the one before. */
        if (j < 8) {
            const double root = elementary_exponential(elementary_logarithm(0x1.2d97c7f3321d2p+4 * s) / 3.0);
            low_real = root;
            up_real = 0.5 * root;
            up_imaginary = square_root_double(3.0) * 0.5 * root;
        } else if (s < 0x1.999999999999ap-3) {
            const double grown = elementary_exponential(0x1.dddddddddddddp-4);
            low_real *= grown;
            up_real *= grown;
            up_imaginary *= grown;
        } else if (s > 3.0) {
            low_real += 0x1.6666666666666p-2;
            up_real += 0x1.6666666666666p-2;
        }
        double zero = 0.0;
        const double one = 1.0;
        const head_face__edge_result result_1 = head_face_edge(s, low_real, zero, one);
        low_real = result_1.m0;
        zero = result_1.m1;
        const head_face__edge_result result_2 = head_face_edge(s, up_real, up_imaginary, -one);
        up_real = result_2.m0;
        up_imaginary = result_2.m1;
        const head_face__one_over_sinh_result result_3 = head_face_one_over_sinh(low_real, 0.0 * one);
        const double low = result_3.m0;
        const head_face__one_over_sinh_result result_4 = head_face_one_over_sinh(up_real, up_imaginary);
        const double upper_real = result_4.m0;
        const double upper_imaginary = result_4.m1;
        nodes.at[HEAD_FACE_DEEP_REAL * nodes.n1 + j] = -0x1.6666666666666p-4 * s * upper_imaginary;
        nodes.at[HEAD_FACE_DEEP_IMAGINARY * nodes.n1 + j] = 0x1.6666666666666p-4 * s * (upper_real + low);
    }
}

/*
 * Response ``1 - 2 (thin E_thin(x) + deep E_deep(x))``.
 *
 * Parameters
 * ----------
 * nodes : ndarray
 *     As :func:`face_nodes` fills it.
 * thin, deep : float
 *     Shares of the echoes of the two heads; 1 and 0 is the head with thin poles, 0 and 0 one without echoes.
 * x : float
 *     Length of the face over the wavelength, positive.
 */
KERNEL double head_face_face_response(doubles_2 nodes, double thin, double deep, double x)
{
    double real_ = 0.0;
    double imaginary = 0.0;
    const double k = 0x1.921fb54442d18p+1 * x;
    for (ix j = 0; j < HEAD_FACE_FACE_NODES; j++) {
        const double exponent = k * nodes.at[j];
        if (exponent > 42.0) {
            break;
        }
        const double decay = elementary_exponential(-exponent);
        real_ += decay * (thin * nodes.at[HEAD_FACE_THIN_REAL * nodes.n1 + j] + deep *
            nodes.at[HEAD_FACE_DEEP_REAL * nodes.n1 + j]);
        imaginary += decay * (thin * nodes.at[HEAD_FACE_THIN_IMAGINARY * nodes.n1 + j] + deep *
            nodes.at[HEAD_FACE_DEEP_IMAGINARY * nodes.n1 + j]);
    }
    const double turns = 0.5 * x;
    return 1.0 - 2.0 * (real_ * elementary_cosine_of_turns(turns) - imaginary *
        elementary_sine_of_turns(turns));
}

/* Height of the first rise in dB. */
KERNEL double head_face_first_bump_db(doubles_2 nodes, double thin, double deep)
{
    double highest = 1.0;
    for (ix i = 0; i < 71; i++) {
        const double x = 0x1.3333333333333p-1 + 0x1.6666666666666p-2 * (double)i / 70.0;
        highest = larger_double(highest, head_face_face_response(nodes, thin, deep, x));
    }
    return elementary_logarithm(highest) / 0x1.d791c5f888823p-4;
}

/*
 * Shares of thin and of deep poles that give a height of the first rise.
 *
 * Up to the height of deep poles their echoes are made weaker; above it thin poles come in.
 */
KERNEL head_face_face_shares_result head_face_face_shares(doubles_2 nodes, double bump_db)
{
    const double one = 1.0;
    const double zero = 0.0;
    const double deepest = head_face_first_bump_db(nodes, zero, one);
    if (bump_db <= deepest) {
        const double rise = elementary_exponential(0x1.d791c5f888823p-4 * bump_db) - 1.0;
        return (head_face_face_shares_result){zero, larger_double(rise, 0.0) /
            (elementary_exponential(0x1.d791c5f888823p-4 * deepest) - 1.0)};
    }
    double low = 0.0;
    double high = 1.0;
    for (ix _ = 0; _ < 40; _++) {
        const double middle = 0.5 * (low + high);
        if (head_face_first_bump_db(nodes, middle, one - middle) < bump_db) {
            low = middle;
        } else {
            high = middle;
        }
    }
    return (head_face_face_shares_result){high, one - high};
}
