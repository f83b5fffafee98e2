/* What the display and the LEDs show: functions of the state, looked at when an instant ends; only changes are put out. */
#include "state.h"

#if CTL_TEXT_BYTES
static void put(char character)
{
    if (*ctl.text != character) {
        *ctl.text = character;
        ctl.text_differs = true;
    }
    ctl.text++;
}

void ctl_put_text(const CTL_FLASH char *text)
{
    for (; *text; text++) { /* at most CTL_TEXT_BYTES rounds */
        put(*text);
    }
}

/* One of several texts that stand one after another, each with its NUL. */
void ctl_put_name(const CTL_FLASH char *names, uint8_t which)
{
    for (; which; which--) { /* at most CTL_MOST_NAMES rounds */
        while (*names++) { /* at most CTL_NAMES_BYTES rounds in all */
        }
    }
    ctl_put_text(names);
}

/* The 10th part; small chips multiply much faster than they divide. 6554 / 2^16 is near enough to it for values below 16,389, and
 * 52429 / 2^19 for all of 16 bits. */
static ctl_magnitude_t tenth(ctl_magnitude_t value)
{
#if CTL_MOST_DIGITS < 5
    return (ctl_magnitude_t)((uint32_t)value * 6554u >> 16);
#else
    return (ctl_magnitude_t)(sizeof value == 2 ? (uint32_t)value * 52429u >> 19 : value / 10u);
#endif
}

/* A number, filled on the left with spaces or zeros up to `width` characters. */
void ctl_put_number(ctl_number_t value, uint8_t width, char fill)
{
    char digits[sizeof(ctl_number_t) == 2 ? 6 : 11];
    uint8_t count = 0;
    ctl_magnitude_t rest = (ctl_magnitude_t)(value < 0 ? 0u - (ctl_magnitude_t)value : (ctl_magnitude_t)value);
    do { /* at most CTL_MOST_DIGITS rounds */
        ctl_magnitude_t left = tenth(rest);
        digits[count++] = (char)('0' + (rest - left * 10u));
        rest = left;
    } while (rest);
    //@ slevel 50;
    if (value < 0 && fill == '0') {
        put('-');
        width = (uint8_t)(width ? width - 1 : 0);
    } else if (value < 0) {
        digits[count++] = '-';
    }
    for (; count < width; width--) { /* at most width rounds */
        put(fill);
    }
    while (count) { /* at most CTL_MOST_DIGITS + 1 rounds */
        put(digits[--count]);
    }
}

static void begin_text(char *text)
{
    ctl.text = text;
    ctl.text_differs = false;
}
#endif

#if CTL_HAS_NOTICES
/* Between these two calls what is put is the notice. */
void ctl_begin_notice(void)
{
    begin_text(ctl.notice);
}

void ctl_end_notice(uint32_t duration_us)
{
    put('\0');
    ctl.noticing = true;
    ctl.dirty = true;
    ctl_arm(CTL_NOTICE_SLOT, ctl.now_us + duration_us);
}
#endif

#if CTL_TEXT_BYTES
static void show_text(void)
{
    begin_text(ctl.shown);
#if CTL_HAS_NOTICES
    if (ctl.noticing) {
        for (uint8_t i = 0; i < CTL_TEXT_BYTES && ctl.notice[i]; i++) { /* at most CTL_TEXT_BYTES rounds */
            put(ctl.notice[i]);
        }
    } else
#endif
    {
        ctl_put_display();
    }
    put('\0');
    if (ctl.text_differs) {
        hw_show(ctl.shown);
    }
}
#endif

void ctl_show(void)
{
#if CTL_TEXT_BYTES
    show_text();
#endif
#if CTL_LEDS
    uint8_t values[CTL_LEDS];
    ctl_read_leds(values);
    for (uint8_t led = 0; led < CTL_LEDS; led++) {
        if (values[led] != ctl.leds[led]) {
            ctl.leds[led] = values[led];
            hw_set_led(led, values[led]);
        }
    }
#endif
}

#if CTL_HAS_RESTART
void ctl_darken(void)
{
#if CTL_TEXT_BYTES
    if (ctl.shown[0]) {
        ctl.shown[0] = '\0';
        hw_show(ctl.shown);
    }
#endif
#if CTL_LEDS
    for (uint8_t led = 0; led < CTL_LEDS; led++) {
        if (ctl.leds[led]) {
            ctl.leds[led] = 0;
            hw_set_led(led, 0);
        }
    }
#endif
}
#endif
