/* The language's arithmetic where C's differs or is undefined: // and % round down, cells wrap and clamp.
 *
 * Every value is proved to fit; what is handled here are the cases in which C would round to zero, overflow on the
 * way, or stop: INT_MIN / -1 and INT_MIN % -1.
 */
#ifndef CTL_ARITHMETIC_H
#define CTL_ARITHMETIC_H

#include <stdint.h>

static inline int16_t ctl_div16(int16_t a, int16_t b)
{
    if (b == -1) {
        return (int16_t)-a;
    }
    int16_t quotient = (int16_t)(a / b);
    return (int16_t)(quotient - (a % b != 0 && (a < 0) != (b < 0)));
}

static inline int16_t ctl_mod16(int16_t a, int16_t b)
{
    if (b == -1) {
        return 0;
    }
    int16_t rest = (int16_t)(a % b);
    return rest != 0 && (rest < 0) != (b < 0) ? (int16_t)(rest + b) : rest;
}

static inline int32_t ctl_div32(int32_t a, int32_t b)
{
    if (b == -1) {
        return -a;
    }
    return a / b - (a % b != 0 && (a < 0) != (b < 0));
}

static inline int32_t ctl_mod32(int32_t a, int32_t b)
{
    if (b == -1) {
        return 0;
    }
    int32_t rest = a % b;
    return rest != 0 && (rest < 0) != (b < 0) ? rest + b : rest;
}

static inline int16_t ctl_min16(int16_t a, int16_t b)
{
    return a < b ? a : b;
}

static inline int16_t ctl_max16(int16_t a, int16_t b)
{
    return a > b ? a : b;
}

static inline int32_t ctl_min32(int32_t a, int32_t b)
{
    return a < b ? a : b;
}

static inline int32_t ctl_max32(int32_t a, int32_t b)
{
    return a > b ? a : b;
}

static inline int16_t ctl_abs16(int16_t a)
{
    return (int16_t)(a < 0 ? -a : a);
}

static inline int32_t ctl_abs32(int32_t a)
{
    return a < 0 ? -a : a;
}

static inline int16_t ctl_clamp16(int16_t value, int16_t low, int16_t high)
{
    return value < low ? low : value > high ? high : value;
}

static inline int32_t ctl_clamp32(int32_t value, int32_t low, int32_t high)
{
    return value < low ? low : value > high ? high : value;
}

/* The signed number with the bits of `bits`; a plain cast would be the compiler's choice. */
static inline int32_t ctl_signed(uint32_t bits)
{
    return bits <= (uint32_t)INT32_MAX ? (int32_t)bits : -(int32_t)(UINT32_MAX - bits) - 1;
}

/* low + (value - low) % (high - low + 1), where the difference need not fit 32 bits but the range is not all of them. */
static inline int32_t ctl_wrap32(int32_t value, int32_t low, int32_t high)
{
    uint32_t size = (uint32_t)high - (uint32_t)low + 1u;
    if (value >= low) {
        return ctl_signed((uint32_t)low + ((uint32_t)value - (uint32_t)low) % size);
    }
    return ctl_signed((uint32_t)high - ((uint32_t)low - (uint32_t)value - 1u) % size);
}

#endif
