"""What the length of a head's face does to long waves: the rise in the bass, and the ripple above it.

A replay head sees the tape by its gap, and against that by the outer edges of its poles. With half a face as
the unit of length, and a gap and a distance of nothing, its answer to a passing point is a pulse less two
echoes that begin when an edge passes::

    G(x) = 1 - 2 E(x),  E(x) = integral from 1 to infinity of h(z) cos(pi x z) dz,  x = face / wavelength

`h` is the field along the tape beyond the edge, by reciprocity. Two heads are known exactly:

- thin poles: ``h = 1 / (pi z sqrt(z^2 - 1))``, which gives ``G = integral from 0 to pi x of J0``;
- poles that are deep without end, with square corners: the region over them is mapped on a half-plane by
  ``dz/dw ~ sqrt((w - 1) / w)``. With ``w = cosh(e / 2)^2`` that is ``sinh e - e = i pi (z - 1)``, and
  ``h = Re(1 / sinh e) / 2``.

The integral is turned into the complex plane, ``z = 1 + i s``, where it is one of decaying exponentials and no
longer swings; a few dozen nodes, equally spaced in ``ln s``, give it to 1e-8. Derived here (conformal mapping, any
textbook of potential theory).
"""

import math

from tapeemu.dsp.kernels.arrays import Precise, Precises2
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.elementary import cosine_of_turns, exponential, logarithm, sine_of_turns

__all__ = [
    "FACE_NODES",
    "HIGHEST_BUMP_DB",
    "NODE_ROWS",
    "face_nodes",
    "face_response",
    "face_shares",
    "first_bump_db",
]

FACE_NODES = 118
"""Nodes of the integral."""

HIGHEST_BUMP_DB = 3.348
"""Height of the first rise with thin poles: no head has a higher one."""

_PI = 3.141592653589793
_TURN = 6.283185307179586
_FIRST, _STEP = -29.0, 0.35
_NEPERS_PER_DB = 0.11512925464970229
_NEWTON_STEPS = 12
_DEEP_FROM, _DEEP_TO, _PEAK_STEPS = 0.60, 0.95, 70
S, THIN_REAL, THIN_IMAGINARY, DEEP_REAL, DEEP_IMAGINARY = 0, 1, 2, 3, 4
NODE_ROWS = 5
"""Rows of the table of nodes: place, and complex weight with thin and with deep poles."""


@kernel()
def _sinh_cosh(x: Precise) -> tuple[Precise, Precise]:
    """Hyperbolic sine and cosine; the sine near zero by its series, for the difference would lose digits there."""
    up = exponential(x)
    down = 1.0 / up
    sinh, cosh = 0.5 * (up - down), 0.5 * (up + down)
    if abs(x) < 0.02:
        z = x * x
        sinh = x * (1.0 + z / 6.0 * (1.0 + z / 20.0))
    return sinh, cosh


@kernel()
def _edge(s: Precise, real: Precise, imaginary: Precise, side: Precise) -> tuple[Precise, Precise]:
    """Solve ``sinh e - e = side * pi * s`` by Newton's method, from a guess near it."""
    for _ in range(_NEWTON_STEPS):
        sinh, cosh = _sinh_cosh(real)
        turns = imaginary / _TURN
        cosine, sine = cosine_of_turns(turns), sine_of_turns(turns)
        value_real = sinh * cosine - real - side * _PI * s
        value_imaginary = cosh * sine - imaginary
        size2 = real * real + imaginary * imaginary
        slope_real, slope_imaginary = cosh * cosine - 1.0, sinh * sine
        if size2 < 1e-3:
            # e^3 / 6 + e^5 / 120 and its derivative, without the difference of what is nearly equal.
            s_real, s_imaginary = real * real - imaginary * imaginary, 2.0 * real * imaginary
            c_real = real * s_real - imaginary * s_imaginary
            c_imaginary = real * s_imaginary + imaginary * s_real
            f_real = 1.0 / 6.0 + s_real / 120.0
            f_imaginary = s_imaginary / 120.0
            value_real = c_real * f_real - c_imaginary * f_imaginary - side * _PI * s
            value_imaginary = c_real * f_imaginary + c_imaginary * f_real
            f_real = 0.5 + s_real / 24.0
            f_imaginary = s_imaginary / 24.0
            slope_real = s_real * f_real - s_imaginary * f_imaginary
            slope_imaginary = s_real * f_imaginary + s_imaginary * f_real
        size = slope_real * slope_real + slope_imaginary * slope_imaginary
        real -= (value_real * slope_real + value_imaginary * slope_imaginary) / size
        imaginary -= (value_imaginary * slope_real - value_real * slope_imaginary) / size
    return real, imaginary


@kernel()
def _one_over_sinh(real: Precise, imaginary: Precise) -> tuple[Precise, Precise]:
    """``1 / sinh`` of a complex number."""
    sinh, cosh = _sinh_cosh(real)
    turns = imaginary / _TURN
    a, b = sinh * cosine_of_turns(turns), cosh * sine_of_turns(turns)
    size = a * a + b * b
    return a / size, -b / size


@kernel()
def face_nodes(nodes: Precises2) -> None:
    """Fill the table of nodes.

    Parameters
    ----------
    nodes : ndarray, shape (NODE_ROWS, FACE_NODES)
        Gets for every node its place s, in half lengths of the face, and the weights of its exponential.
    """
    low_real: Precise = 0.0
    up_real: Precise = 0.0
    up_imaginary: Precise = 0.0
    for j in range(FACE_NODES):
        s = exponential(_FIRST + _STEP * j)
        nodes[S, j] = s
        # Thin poles: i s / (pi z sqrt(z^2 - 1)) with z = 1 + i s.
        size = s * math.sqrt(s * s + 4.0)
        root_real = math.sqrt(max(0.5 * (size - s * s), 0.0))
        if s > 1.0:
            root_real = s / math.sqrt(0.5 * (size + s * s))
        root_imaginary = s / root_real
        below_real = root_real - s * root_imaginary
        below_imaginary = root_imaginary + s * root_real
        below = below_real * below_real + below_imaginary * below_imaginary
        nodes[THIN_REAL, j] = _STEP * s / _PI * below_imaginary / below
        nodes[THIN_IMAGINARY, j] = _STEP * s / _PI * below_real / below
        # Deep poles: the solution for this node starts from that of the one before.
        if j < 8:
            root = exponential(logarithm(6.0 * _PI * s) / 3.0)
            low_real = root
            up_real = 0.5 * root
            up_imaginary = math.sqrt(3.0) * 0.5 * root
        elif s < 0.2:
            grown = exponential(_STEP / 3.0)
            low_real *= grown
            up_real *= grown
            up_imaginary *= grown
        elif s > 3.0:
            low_real += _STEP
            up_real += _STEP
        zero: Precise = 0.0
        one: Precise = 1.0
        low_real, zero = _edge(s, low_real, zero, one)
        up_real, up_imaginary = _edge(s, up_real, up_imaginary, -one)
        low, _ = _one_over_sinh(low_real, 0.0 * one)
        upper_real, upper_imaginary = _one_over_sinh(up_real, up_imaginary)
        nodes[DEEP_REAL, j] = -0.25 * _STEP * s * upper_imaginary
        nodes[DEEP_IMAGINARY, j] = 0.25 * _STEP * s * (upper_real + low)


@kernel()
def face_response(nodes: Precises2, thin: Precise, deep: Precise, x: Precise) -> Precise:
    """Response ``1 - 2 (thin E_thin(x) + deep E_deep(x))``.

    Parameters
    ----------
    nodes : ndarray
        As :func:`face_nodes` fills it.
    thin, deep : float
        Shares of the echoes of the two heads; 1 and 0 is the head with thin poles, 0 and 0 one without echoes.
    x : float
        Length of the face over the wavelength, positive.
    """
    real: Precise = 0.0
    imaginary: Precise = 0.0
    k = _PI * x
    for j in range(FACE_NODES):
        exponent = k * nodes[S, j]
        if exponent > 42.0:
            break
        decay = exponential(-exponent)
        real += decay * (thin * nodes[THIN_REAL, j] + deep * nodes[DEEP_REAL, j])
        imaginary += decay * (thin * nodes[THIN_IMAGINARY, j] + deep * nodes[DEEP_IMAGINARY, j])
    turns = 0.5 * x
    return 1.0 - 2.0 * (real * cosine_of_turns(turns) - imaginary * sine_of_turns(turns))


@kernel()
def first_bump_db(nodes: Precises2, thin: Precise, deep: Precise) -> Precise:
    """Height of the first rise in dB."""
    highest: Precise = 1.0
    for i in range(_PEAK_STEPS + 1):
        x: Precise = _DEEP_FROM + (_DEEP_TO - _DEEP_FROM) * i / _PEAK_STEPS
        highest = max(highest, face_response(nodes, thin, deep, x))
    return logarithm(highest) / _NEPERS_PER_DB


@kernel()
def face_shares(nodes: Precises2, bump_db: Precise) -> tuple[Precise, Precise]:
    """Shares of thin and of deep poles that give a height of the first rise.

    Up to the height of deep poles their echoes are made weaker; above it thin poles come in.
    """
    one: Precise = 1.0
    zero: Precise = 0.0
    deepest = first_bump_db(nodes, zero, one)
    if bump_db <= deepest:
        rise = exponential(_NEPERS_PER_DB * bump_db) - 1.0
        return zero, max(rise, 0.0) / (exponential(_NEPERS_PER_DB * deepest) - 1.0)
    low: Precise = 0.0
    high: Precise = 1.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        if first_bump_db(nodes, middle, one - middle) < bump_db:
            low = middle
        else:
            high = middle
    return high, one - high
