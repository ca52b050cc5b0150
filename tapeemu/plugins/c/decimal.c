/* Numbers as text and back, the same on every machine and in every language of the system.
 *
 * The functions of the standard library write a comma where the user's country does; a preset has points. Both ways
 * are exact: what is read is the double nearest to the text, what is written is the shortest text that reads as the
 * same double. SPDX-License-Identifier: ISC
 */

#define MOST_POWER 19 /* the largest power of ten in 64 bits */
#define MOST_SHORT 9 /* and in 32 */
#define PARTS 8

/* A whole number of 256 bits, lowest part first. What stands here divides and multiplies without the library that
 * compilers bring for numbers wider than the machine's. */
typedef struct {
    uint32_t part[PARTS];
} Long;

static uint64_t whole_power_of_ten(int power)
{
    uint64_t value = 1;
    while (power-- > 0)
        value *= 10;
    return value;
}

/* value * 10^power. */
static void raise_by(Long *value, int power)
{
    for (; power > 0; power -= MOST_SHORT) {
        const uint64_t factor = whole_power_of_ten(power < MOST_SHORT ? power : MOST_SHORT);
        uint64_t carried = 0;
        for (int k = 0; k < PARTS; k++) {
            carried += value->part[k] * factor;
            value->part[k] = (uint32_t)carried;
            carried >>= 32;
        }
    }
}

/* value / 10^power, rounded down; whether a rest was left. */
static bool lower_by(Long *value, int power)
{
    bool inexact = false;
    for (; power > 0; power -= MOST_SHORT) {
        const uint64_t divisor = whole_power_of_ten(power < MOST_SHORT ? power : MOST_SHORT);
        uint64_t rest = 0;
        for (int k = PARTS - 1; k >= 0; k--) {
            rest = rest << 32 | value->part[k];
            value->part[k] = (uint32_t)(rest / divisor);
            rest %= divisor;
        }
        inexact = inexact || rest != 0;
    }
    return inexact;
}

static int bit_of(const Long *value, int bit)
{
    return bit >= 0 && bit < 32 * PARTS ? value->part[bit / 32] >> bit % 32 & 1 : 0;
}

/* mantissa * 2^exponent, without a library. */
static double times_power_of_two(double mantissa, int exponent)
{
    for (; exponent > 0; exponent--)
        mantissa *= 2.0;
    for (; exponent < 0; exponent++)
        mantissa *= 0.5;
    return mantissa;
}

/* Nearest double to value * 2^exponent, where `inexact` says that a little more than that is meant. */
static double nearest(const Long *value, int exponent, bool inexact)
{
    int high = 32 * PARTS - 1;
    while (high > 0 && bit_of(value, high) == 0)
        high--;
    const int low = high - 52; /* the last bit of a double */
    uint64_t mantissa = 0;
    for (int bit = high; bit >= low; bit--)
        mantissa = mantissa << 1 | (uint64_t)bit_of(value, bit);
    for (int bit = low - 2; bit >= 0; bit--)
        inexact = inexact || bit_of(value, bit) != 0;
    if (bit_of(value, low - 1) != 0 && (inexact || (mantissa & 1) != 0)) /* at the half to the even one */
        mantissa++;
    return times_power_of_two((double)mantissa, exponent + low);
}

/* The double nearest to digits * 10^power; false if it is beyond what presets need. */
static bool double_of(uint64_t digits, int power, double *to)
{
    while (power < 0 && digits != 0 && digits % 10 == 0) {
        digits /= 10;
        power++;
    }
    *to = 0.0;
    if (digits == 0)
        return true;
    if (power > MOST_POWER || power < -2 * MOST_POWER)
        return false;
    /* As high as it goes before a division, which leaves 65 bits at least. */
    const int from = power < 0 ? PARTS - 2 : 0;
    Long value = {{0}};
    value.part[from] = (uint32_t)digits;
    value.part[from + 1] = (uint32_t)(digits >> 32);
    raise_by(&value, power);
    const bool inexact = lower_by(&value, -power);
    *to = nearest(&value, -32 * from, inexact);
    return true;
}

typedef struct {
    bool whole, negative;
    uint64_t digits; /* of a whole number */
    double real;
} Decimal;

/* Read a number as TOML writes it (no underscores, no other bases); the place behind it, or NULL. */
static const char *read_decimal(const char *at, const char *end, Decimal *to)
{
    uint64_t digits = 0;
    int counted = 0, power = 0, written = 0;
    *to = (Decimal){true, false, 0, 0.0};
    if (at < end && (*at == '-' || *at == '+'))
        to->negative = *at++ == '-';
    const char *first = at;
    for (; at < end && *at >= '0' && *at <= '9'; at++, written++) {
        if (counted == MOST_POWER)
            return NULL;
        digits = digits * 10 + (uint64_t)(*at - '0');
        counted += digits != 0;
    }
    if (written == 0 || (written > 1 && *first == '0'))
        return NULL;
    if (at < end && *at == '.') {
        to->whole = false;
        at++;
        for (written = 0; at < end && *at >= '0' && *at <= '9'; at++, written++) {
            if (counted == MOST_POWER)
                return NULL;
            digits = digits * 10 + (uint64_t)(*at - '0');
            counted += digits != 0;
            power--;
        }
        if (written == 0)
            return NULL;
    }
    if (at < end && (*at == 'e' || *at == 'E')) {
        bool below = false;
        int exponent = 0;
        to->whole = false;
        at++;
        if (at < end && (*at == '-' || *at == '+'))
            below = *at++ == '-';
        for (written = 0; at < end && *at >= '0' && *at <= '9'; at++, written++)
            exponent = exponent < 1000 ? exponent * 10 + (*at - '0') : exponent;
        if (written == 0)
            return NULL;
        power += below ? -exponent : exponent;
    }
    to->digits = digits;
    if (!double_of(digits, power, &to->real))
        return NULL;
    if (to->negative)
        to->real = -to->real;
    return at;
}

static int write_whole(char *to, uint64_t value)
{
    char reversed[20];
    int count = 0, written = 0;
    do
        reversed[count++] = (char)('0' + value % 10);
    while ((value /= 10) != 0);
    while (count > 0)
        to[written++] = reversed[--count];
    return written;
}

/* value * 10^power to the nearest whole number; false if it does not fit. */
static bool scaled_whole(double value, int power, uint64_t *to)
{
    if (power < 0) {
        const double quotient = value / (double)whole_power_of_ten(-power);
        if (!(quotient < 9e18))
            return false;
        *to = (uint64_t)(quotient + 0.5);
        return true;
    }
    int exponent = 0;
    *to = 0;
    if (value == 0.0)
        return true;
    while (value >= 9007199254740992.0) {
        value *= 0.5;
        exponent++;
    }
    while (value < 4503599627370496.0) {
        value *= 2.0;
        exponent--;
    }
    if (power > 2 * MOST_POWER || exponent > 0)
        return false;
    Long product = {{(uint32_t)(uint64_t)value, (uint32_t)((uint64_t)value >> 32)}};
    raise_by(&product, power);
    for (int bit = 32 * PARTS - 1; bit >= 63 - exponent; bit--)
        if (bit_of(&product, bit) != 0)
            return false;
    uint64_t rounded = 0;
    for (int bit = 62; bit >= 0; bit--)
        rounded = rounded << 1 | (uint64_t)bit_of(&product, bit - exponent);
    rounded += (uint64_t)bit_of(&product, -exponent - 1);
    *to = rounded;
    return true;
}

/* Write a number with at most so many digits that count, at least 1 and at most 17; returns its length, below 36. */
static int write_real(char *to, double value, int most_digits)
{
    int length = 0;
    if (value < 0.0) {
        to[length++] = '-';
        value = -value;
    }
    int before = 1; /* digits before the point */
    double limit = 10.0;
    while (before < 18 && value >= limit) {
        limit *= 10.0;
        before++;
    }
    int zeros = 0; /* behind the point, before the first digit that counts */
    for (double low = 0.1; value > 0.0 && value < low && zeros < 12; low *= 0.1)
        zeros++;
    if (value < 1.0)
        before = 0;
    uint64_t digits = 0;
    int power = 0;
    for (int count = 1; count <= most_digits; count++) {
        double back;
        uint64_t tried;
        if (!scaled_whole(value, count - before + zeros, &tried))
            break;
        digits = tried;
        power = count - before + zeros;
        if (double_of(digits, -power, &back) && back == value)
            break;
    }
    while (power > 0 && digits % 10 == 0) {
        digits /= 10;
        power--;
    }
    for (; power < 0; power++)
        digits *= 10;
    char text[24];
    int count = write_whole(text, digits);
    if (count <= power) {
        to[length++] = '0';
        to[length++] = '.';
        for (int k = count; k < power; k++)
            to[length++] = '0';
        for (int k = 0; k < count; k++)
            to[length++] = text[k];
    } else {
        for (int k = 0; k < count; k++) {
            if (k == count - power)
                to[length++] = '.';
            to[length++] = text[k];
        }
        if (power == 0) {
            to[length++] = '.';
            to[length++] = '0';
        }
    }
    to[length] = '\0';
    return length;
}

/* The nearest number of nine digits: what a knob is turned to can be written and read by people. */
static double with_nine_digits(double value)
{
    char text[40];
    Decimal read;
    const int length = write_real(text, value, 9);
    return read_decimal(text, text + length, &read) != NULL ? read.real : value;
}
