"""Elementary functions that the compiler can spread over vector lanes.

The C library's log, sin and cos are calls, and a call inside a loop keeps it scalar. These are
polynomials good to a few units in the last place, checked against numpy in tests/kernels.
"""

from llvmlite import ir
from numba.core import types
from numba.extending import intrinsic

from raytrace.kernels.compiled import inlined

LN2 = 0.6931471805599453
SQRT2 = 1.4142135623730951
MANTISSA = 0x000FFFFFFFFFFFFF
ONE = 0x3FF0000000000000


@intrinsic
def bits_of(typingctx, x):
    """The 64 bits of a float64 as an integer."""

    def emit(context, builder, signature, args):
        return builder.bitcast(args[0], ir.IntType(64))

    return types.int64(types.float64), emit


@intrinsic
def float_of(typingctx, b):
    """The float64 whose 64 bits are the integer b."""

    def emit(context, builder, signature, args):
        return builder.bitcast(args[0], ir.DoubleType())

    return types.float64(types.int64), emit


@inlined
def ln(x):
    """Natural logarithm of a normal positive float64, by the series of 2 artanh((m-1)/(m+1))."""
    b = bits_of(x)
    e = float(((b >> 52) & 0x7FF) - 1023)
    m = float_of((b & MANTISSA) | ONE)
    high = m > SQRT2
    m = 0.5 * m if high else m
    e = e + 1.0 if high else e
    q = (m - 1.0) / (m + 1.0)
    p = q * q
    y = 1.0 / 19.0
    y = y * p + 1.0 / 17.0
    y = y * p + 1.0 / 15.0
    y = y * p + 1.0 / 13.0
    y = y * p + 1.0 / 11.0
    y = y * p + 1.0 / 9.0
    y = y * p + 1.0 / 7.0
    y = y * p + 1.0 / 5.0
    y = y * p + 1.0 / 3.0
    y = y * p + 1.0
    return e * LN2 + 2.0 * q * y


@inlined
def cos_sin_turn(t):
    """Cosine and sine of a turn's share t in [0, 1]: angle 2πt."""
    q = float(int(4.0 * t + 0.5))
    x = 6.283185307179586 * (t - 0.25 * q)  # within an eighth of a turn
    p = x * x
    s = -1.0 / 1307674368000.0
    s = s * p + 1.0 / 6227020800.0
    s = s * p - 1.0 / 39916800.0
    s = s * p + 1.0 / 362880.0
    s = s * p - 1.0 / 5040.0
    s = s * p + 1.0 / 120.0
    s = s * p - 1.0 / 6.0
    s = s * p * x + x
    c = 1.0 / 20922789888000.0
    c = c * p - 1.0 / 87178291200.0
    c = c * p + 1.0 / 479001600.0
    c = c * p - 1.0 / 3628800.0
    c = c * p + 1.0 / 40320.0
    c = c * p - 1.0 / 720.0
    c = c * p + 1.0 / 24.0
    c = c * p - 0.5
    c = c * p + 1.0
    odd = (q == 1.0) or (q == 3.0)
    cc = s if odd else c
    ss = c if odd else s
    cc = -cc if (q == 1.0) or (q == 2.0) else cc
    ss = -ss if (q == 2.0) or (q == 3.0) else ss
    return cc, ss
