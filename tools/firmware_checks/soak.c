/* Sessions drawn from a seed until enough edges have been played: `soak SEED EDGES`. */
#include "wild_board.c"

#define SESSION_BYTES 4096u

static uint64_t state;

/* Marsaglia's xorshift64* (G. Marsaglia 2003, Xorshift RNGs; multiplier of S. Vigna 2016). */
static uint32_t draw(uint32_t below)
{
    state ^= state >> 12;
    state ^= state << 25;
    state ^= state >> 27;
    return (uint32_t)((state * 2685821657736338717u) >> 32) % below;
}

/* Mostly feet. A session does without some kinds of moves, so that what these would disturb has time to happen. */
static void draw_session(uint8_t bytes[], size_t count)
{
    uint32_t arrives = draw(3) ? draw(12) : 0, fails = draw(3) ? draw(4) : 0, waits = 4 + draw(24), together = draw(24);
    for (size_t i = 0; i < count; i++) {
        uint32_t kind = draw(64);
        if (kind < arrives) {
            bytes[i] = (uint8_t)(0xC0u | draw(48));
        } else if (kind < arrives + waits) {
            bytes[i] = (uint8_t)(0x80u | draw(64));
        } else if (kind < arrives + waits + together) {
            bytes[i] = (uint8_t)(0x40u | draw(64));
        } else if (kind == 63 && draw(4) < fails) {
            bytes[i] = (uint8_t)(0xF0u | draw(16));
        } else {
            bytes[i] = (uint8_t)draw(64);
        }
    }
}

int main(int count, char **arguments)
{
    static uint8_t bytes[SESSION_BYTES];
    if (count != 3) {
        fputs("soak SEED EDGES\n", stderr);
        return 2;
    }
    state = strtoull(arguments[1], NULL, 10) * 2 + 1;
    uint64_t wanted = strtoull(arguments[2], NULL, 10);
    digest = 14695981039346656037u;
    while (edges < wanted) {
        draw_session(bytes, sizeof bytes);
        play(bytes, sizeof bytes);
    }
    printf("{\"edges\": %llu, \"polls\": %llu, \"messages\": %llu, \"power_ons\": %llu, \"cuts\": %llu, \"digest\": \"%016llx\"}\n",
           (unsigned long long)edges, (unsigned long long)polls, (unsigned long long)messages, (unsigned long long)power_ons,
           (unsigned long long)cuts, (unsigned long long)digest);
    return 0;
}
