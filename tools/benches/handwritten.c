/* The controller of four.yaml written out by hand in C, as handwritten.py is in Python: the yardstick of the native bench. */
#include <limits.h>
#include <stddef.h>
#include <stdint.h>

#define NEVER INT64_MAX
#define SETTLE 12000
#define LOCKOUT 5000
#define WINDOW 45000
#define HOLD 500000

#define MESSAGE2(a, b) ((((1 << 8 | (b)) << 8 | (a)) << 2 | 1) << 3)
#define MESSAGE3(a, b, c) (((((int64_t)1 << 8 | (c)) << 8 | (b)) << 8 | (a)) << 5 | 1 << 3)
#define FIRED(n) ((n) << 3 | 1)
#define PUT(at, item) (out[0] = (at), out[1] = (item), out += 2)

enum { MODE_SHOW = 3, MODE_PAD = 11, MODE_SPACE = 19, UNBOUND_C = 2 << 2 << 3 | 2 };

static int64_t *show(int64_t *out, int64_t at, int shown, int lit)
{
    int64_t off = (int64_t)shown << 8 << 3 | 4, on = ((int64_t)lit << 8 | 1) << 3 | 4;
    PUT(at, shown < lit ? off : on);
    PUT(at, shown < lit ? on : off);
    return out;
}

static int64_t *cancel(int64_t *out, int64_t at, int live)
{
    for (int s = 0; s < 4; s++) {
        if (live & 1 << s) {
            PUT(at, (s << 2 | 1) << 3 | 2);
        }
    }
    return out;
}

static inline int64_t later(int64_t a, int64_t b)
{
    return a > b ? a : b;
}

/* Plays columns of times in microseconds and switch words from power-on; gives how many numbers went to `out`. */
__attribute__((visibility("default"))) size_t play(const int64_t *times, const int64_t *words, size_t count, int64_t *out)
{
    int64_t *start = out;
    int64_t due = NEVER, open[4] = {NEVER, NEVER, NEVER, NEVER}, held[3] = {NEVER, NEVER, NEVER}, lock[4] = {0, 0, 0, 0}, window = 0;
    int word = 0, down = 0, live = 0, owing_a = 0, owing_b = 0, pending = 0, mode = 0, bank = 0, lit = 0, shown = 0;
    PUT(SETTLE, MODE_SHOW);
    PUT(SETTLE, 1 << 3 | 4);
    for (size_t i = 0; i < count; i++) {
        int64_t t = times[i];
        while (due <= t) {
            int64_t at = due;
            if (shown != lit && out[-2] != at) {
                out = show(out, out[-2], shown, lit);
                shown = lit;
            }
            if (held[0] == at || held[2] == at) {
                int a = held[0] == at;
                held[0] = held[2] = NEVER;
                PUT(at, a ? FIRED(1) : FIRED(4));
                out = cancel(out, at, live & (a ? 14 : 11));
                PUT(at, a ? MODE_PAD : MODE_SPACE);
                live = pending = 0;
                mode = lit = a ? 1 : 2;
            } else if (held[1] == at) {
                held[1] = NEVER;
                live &= 13;
                PUT(at, FIRED(15));
                PUT(at, MESSAGE3(0xB2, 91, 0));
            }
            if (open[0] == at) {
                open[0] = NEVER;
                down &= 14;
                if (live & 1) {
                    live &= 14;
                    held[0] = NEVER;
                    PUT(at, FIRED(0));
                    PUT(at, MESSAGE2(0xC9, bank * 4));
                } else if (owing_a) {
                    PUT(at, owing_a == 1 ? FIRED(8) : FIRED(13));
                    PUT(at, owing_a == 1 ? MESSAGE3(0x81, 36, 64) : MESSAGE3(0xB2, 80, 0));
                    owing_a = 0;
                }
            }
            if (open[1] == at) {
                open[1] = NEVER;
                down &= 13;
                if (live & 2) {
                    live &= 13;
                    held[1] = NEVER;
                    PUT(at, mode ? FIRED(14) : FIRED(2));
                    PUT(at, mode ? MESSAGE3(0xB2, 91, bank * 40) : MESSAGE2(0xC9, bank * 4 + 1));
                } else if (owing_b) {
                    owing_b = 0;
                    PUT(at, FIRED(10));
                    PUT(at, MESSAGE3(0x81, 40, 64));
                }
            }
            if (open[2] == at) {
                open[2] = NEVER;
                down &= 11;
                if (live & 4) {
                    live &= 11;
                    held[2] = NEVER;
                    pending = 0;
                    if (mode) {
                        PUT(at, UNBOUND_C);
                    } else {
                        PUT(at, FIRED(3));
                        PUT(at, MESSAGE2(0xC9, bank * 4 + 2));
                    }
                }
            }
            if (open[3] == at) {
                open[3] = NEVER;
                down &= 7;
                if (live & 8) {
                    if (!mode) {
                        live &= 7;
                        pending = 0;
                        PUT(at, FIRED(5));
                        PUT(at, MESSAGE2(0xC9, bank * 4 + 3));
                    } else {
                        PUT(at, mode == 1 ? FIRED(11) : FIRED(16));
                        out = cancel(out, at, live & 7);
                        PUT(at, MODE_SHOW);
                        live = mode = 0;
                        held[1] = NEVER;
                        lit = bank;
                    }
                }
            }
            due = open[0] < open[1] ? open[0] : open[1];
            due = open[2] < due ? open[2] : due;
            due = open[3] < due ? open[3] : due;
            due = held[0] < due ? held[0] : due;
            due = held[1] < due ? held[1] : due;
            due = held[2] < due ? held[2] : due;
        }
        if (shown != lit && out[-2] != t) {
            out = show(out, out[-2], shown, lit);
            shown = lit;
        }
        int now = (int)words[i], changed = word ^ now;
        word = now;
        for (int s = 0; changed; s++, changed >>= 1) {
            int bit = 1 << s;
            if (!(changed & 1)) {
                continue;
            }
            if (!(word & bit)) {
                open[s] = later(t, lock[s]) + SETTLE;
                due = open[s] < due ? open[s] : due;
                continue;
            }
            if (down & bit) {
                open[s] = NEVER;
                continue;
            }
            down |= bit;
            lock[s] = t + LOCKOUT;
            if (s == 0 && mode == 0) {
                live |= 1;
                pending = 0;
                held[0] = t + HOLD;
                due = held[0] < due ? held[0] : due;
            } else if (s == 0) {
                owing_a = mode;
                PUT(t, mode == 1 ? FIRED(7) : FIRED(12));
                PUT(t, mode == 1 ? MESSAGE3(0x91, 36, 100) : MESSAGE3(0xB2, 80, 127));
            } else if (s == 1 && mode == 0) {
                live |= 2;
                pending = 0;
            } else if (s == 1 && mode == 1) {
                owing_b = 1;
                PUT(t, FIRED(9));
                PUT(t, MESSAGE3(0x91, 40, 100));
            } else if (s == 1) {
                live |= 2;
                held[1] = t + HOLD;
                due = held[1] < due ? held[1] : due;
            } else if (mode) {
                live |= bit;
            } else if (pending == 12 - bit && t < window) {
                live &= 3 | bit;
                pending = 0;
                held[2] = s == 3 ? NEVER : held[2];
                bank = lit = bank < 2 ? bank + 1 : 0;
                PUT(t, FIRED(6));
            } else {
                live |= bit;
                pending = down & (12 - bit) ? 0 : bit;
                window = t + WINDOW;
                if (s == 2) {
                    held[2] = t + HOLD;
                    due = held[2] < due ? held[2] : due;
                }
            }
        }
        if (shown != lit) {
            out = show(out, out[-2], shown, lit);
            shown = lit;
        }
    }
    return (size_t)(out - start);
}
