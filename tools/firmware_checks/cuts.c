/* Power fails at every byte that is written to the storage, leaving every value there, and again while that is put in order: what
 * comes up must be all old or all new. `cuts SEED SAVES DEEP`.
 *
 * Where cells are held, they are also changed all the time, and power fails at every byte of what is then written: what comes up
 * must be what they all were at one instant, which is not long ago.
 *
 * With DEEP (1) second cuts follow all first ones and leave every value, and all images of other versions are taken over. Without
 * (0) they leave values that mean something, the more rows there are, the fewer first cuts they follow, and two images are taken.
 */
#include "wild_board.c"

#if CTL_HAS_STORAGE
#define MOST_WRITES 8192u

static uint64_t state, boots, saves, tidied, cut_bytes, cut_again, cut_restless;
static bool deep;

struct kept {
    int32_t values[WILD_CELLS];
};

struct run {
    uint8_t image[CTL_STORAGE_BYTES]; /* before the writes */
    uint32_t writes[MOST_WRITES];
    size_t count;
    struct kept old, new;
};

static uint32_t draw(uint32_t below)
{
    state = state * 6364136223846793005u + 1442695040888963407u; /* D. E. Knuth's MMIX */
    return (uint32_t)(state >> 33) % below;
}

/* Boot from what is in the chip, listing what that writes; whether the chip is taken. */
static bool boot(struct run *into)
{
    memset(&ctl, 0, sizeof ctl);
    memcpy(into->image, chip.bytes, sizeof chip.bytes);
    written = into->writes;
    written_count = 0;
    written_room = MOST_WRITES;
    chip.is_busy = false;
    ctl_take_first_values();
    bool is_taken = ctl_store_power_on();
    into->count = written_count;
    demand(written_count < MOST_WRITES, "power-on writes without end");
    boots++;
    return is_taken;
}

static struct kept kept_now(void)
{
    struct kept now = {{0}};
    host_list_kept(now.values);
    return now;
}

static bool same_kept(const struct kept *one, const struct kept *other)
{
    return !memcmp(one, other, sizeof *one);
}

static bool tells(unsigned torn, uint8_t before, uint8_t after)
{
    return torn == before || torn == after || torn == 0 || torn == END || torn == LIVE || torn == MAGIC || torn == (before ^ 0x80u) ||
           torn == (after ^ 1u);
}

/* Cut the power at each write of a run with each value; then, once, at each write of the power-on that follows. */
static void cut(const struct run *run, bool again)
{
    static struct run after[2];
    uint8_t image[CTL_STORAGE_BYTES];
    memcpy(image, run->image, sizeof image);
    for (size_t i = 0; i < run->count; i++) {
        uint16_t address = (uint16_t)(run->writes[i] >> 8);
        uint8_t byte = (uint8_t)run->writes[i];
        for (unsigned torn = 0; torn < 256; torn++) {
            bool is_telling = tells(torn, image[address], byte);
            if (again && !deep && !is_telling) {
                continue;
            }
            struct run *next = &after[again];
            memcpy(chip.bytes, image, sizeof image);
            chip.bytes[address] = (uint8_t)torn;
            demand(boot(next), "a cut leaves an image that is refused");
            struct kept now = kept_now();
            if (!same_kept(&now, &run->old) && !same_kept(&now, &run->new)) {
                fprintf(stderr, "write %zu of %zu, at address %u, torn to %u\n", i + 1, run->count, address, torn);
                fail("neither all old nor all new");
            }
            *(again ? &cut_again : &cut_bytes) += 1;
            if (next->count && !again && (deep || !draw(CTL_ROWS * CTL_ROWS))) {
                next->old = run->old;
                next->new = run->new;
                cut(next, true);
            }
        }
        image[address] = byte;
    }
    memcpy(chip.bytes, image, sizeof image);
    demand(boot(&after[again]), "what has been written to the end is refused");
    struct kept now = kept_now();
    demand(again || same_kept(&now, &run->new), "what has been written to the end does not come up");
}

/* How many rows of the stream the cells' present values differ in from `before`. */
static unsigned rows_changed(const uint8_t before[])
{
    unsigned count = 0;
    for (unsigned row = 0; row < CTL_ROWS; row++) {
        bool differs = false;
        for (unsigned i = row * CTL_ROW_BYTES; i < (row + 1u) * CTL_ROW_BYTES; i++) {
            differs |= before[i] != ctl_stream_byte((uint16_t)i);
        }
        count += differs;
    }
    return count;
}

/* Give some cells other values, in no more rows than one save holds. */
static struct kept change(const struct kept *old)
{
    static uint8_t before[CTL_ROWS * CTL_ROW_BYTES];
    struct kept new = *old;
    for (unsigned i = 0; i < sizeof before; i++) {
        before[i] = ctl_stream_byte((uint16_t)i);
    }
    for (unsigned left = 1u + draw(4); left; left--) {
        uint32_t which = draw(COUNT_OF(wild_kept));
        int64_t low = wild_kept[which].low, span = wild_kept[which].high - low;
        uint32_t end = draw(4);
        struct kept tried = new;
        tried.values[which] = (int32_t)(low + (end == 0 ? 0 : end == 1 ? span : (int64_t)draw(0x7FFFFFFFu) % (span + 1)));
        host_set_kept(tried.values);
        if (rows_changed(before) <= CTL_ROWS_AT_ONCE) {
            new = tried;
        }
        host_set_kept(new.values);
    }
    return new;
}

static void save(bool with_cuts)
{
    static struct run run;
    run.old = kept_now();
    run.new = change(&run.old);
    memcpy(run.image, chip.bytes, sizeof chip.bytes);
    written = run.writes;
    written_count = 0;
    uint16_t tail = ctl.stored.tail;
    CTL_KEPT_CHANGED();
    /* A byte a poll. */
    while (ctl_store_step()) {
    }
    run.count = written_count;
    saves++;
    tidied += ctl.stored.tail < tail;
    if (with_cuts) {
        struct ctl_state then = ctl;
        uint8_t image[CTL_STORAGE_BYTES];
        memcpy(image, chip.bytes, sizeof image);
        cut(&run, false);
        memcpy(chip.bytes, image, sizeof image);
        chip.is_busy = false;
        ctl = then;
        host_set_kept(run.new.values);
        written_room = MOST_WRITES;
    }
}

#if CTL_HELD_BYTES
/* Steps: what is stored became so in the last save, which began when it was so, and a next one may wait for the journal to be tidied. */
enum {
    SEARCH_STEPS = JOURNAL_BYTES / (CTL_ROW_BYTES + 1) / CTL_STORAGE_LOOKS + 1,
    SAVE_STEPS = 2 * CTL_ROWS * (CTL_ROW_BYTES + 1 + SEARCH_STEPS) + ENTRY_BYTES + CTL_ROWS * (CTL_ROW_BYTES + 1) + 8,
    TIDY_STEPS = CTL_ROWS * (CTL_ROW_BYTES + 3) + (CTL_ROWS + 1) * SEARCH_STEPS + 2,
    LONGEST_LAG = 2 * SAVE_STEPS + TIDY_STEPS,
    MOST_PAST = LONGEST_LAG + 2
};

/* What the cells have been, and since which step: a ring. */
static struct {
    struct kept kept;
    unsigned long since;
} past[MOST_PAST];
static unsigned long newest, step;

static void remember(void)
{
    newest++;
    past[newest % MOST_PAST].kept = kept_now();
    past[newest % MOST_PAST].since = step;
}

/* Whether the cells were so at one step of the last `lag`. */
static bool were_so(const struct kept *kept, unsigned long lag)
{
    unsigned long until = step;
    for (unsigned long n = newest; n && newest - n < MOST_PAST && until + lag >= step; n--) {
        if (same_kept(&past[n % MOST_PAST].kept, kept)) {
            return true;
        }
        until = past[n % MOST_PAST].since;
    }
    return false;
}

/* Give some kept cells other values: held ones, or any. */
static void change_some(bool any)
{
    uint8_t others[sizeof cells - CTL_HELD_BYTES + 1];
    memcpy(others, (uint8_t *)&cells + CTL_HELD_BYTES, sizeof cells - CTL_HELD_BYTES);
    struct kept new = kept_now();
    for (unsigned left = 1u + draw(4); left; left--) {
        uint32_t which = draw(COUNT_OF(wild_kept));
        struct kept tried = new;
        tried.values[which] = (int32_t)(wild_kept[which].low + (int64_t)draw(0x7FFFFFFFu) % (wild_kept[which].high - wild_kept[which].low + 1));
        host_set_kept(tried.values);
        if (any || !memcmp(others, (uint8_t *)&cells + CTL_HELD_BYTES, sizeof cells - CTL_HELD_BYTES)) {
            new = tried;
        }
        host_set_kept(new.values);
    }
    if (memcmp(others, (uint8_t *)&cells + CTL_HELD_BYTES, sizeof cells - CTL_HELD_BYTES)) {
        CTL_KEPT_CHANGED();
    }
    CTL_HELD_CHANGED();
}

/* Power fails now, or in the byte that has just been written over what was there. */
static void cut_now(bool is_written, unsigned long lag)
{
    static struct run after;
    struct ctl_state then = ctl;
    struct kept values = kept_now();
    uint8_t image[CTL_STORAGE_BYTES];
    uint16_t address = chip.address;
    uint8_t byte = chip.bytes[address], before = is_written ? chip.before : byte;
    memcpy(image, chip.bytes, sizeof image);
    for (unsigned torn = 0; torn < 256; torn++) {
        if (is_written ? tells(torn, before, byte) : torn == byte) {
            chip.bytes[address] = (uint8_t)torn;
            demand(boot(&after), "a cut leaves an image that is refused");
            struct kept found = kept_now();
            demand(were_so(&found, lag), "what comes up was never so, or too long ago");
            cut_restless++;
            memcpy(chip.bytes, image, sizeof image);
        }
    }
    chip.is_busy = false;
    ctl = then;
    host_set_kept(values.values);
}

/* Cells change every few steps, on and on, through some rounds of the journal. */
static void change_without_end(unsigned rounds, uint32_t every, bool any)
{
    static uint32_t one[1];
    unsigned long lag = any ? ~0ul / 2 : LONGEST_LAG;
    uint64_t wanted = tidied + rounds;
    for (step++; tidied < wanted; step++) {
        if (!draw(every)) {
            change_some(any && !draw(40));
            remember();
        }
        uint16_t tail = ctl.stored.tail;
        written = one;
        written_room = COUNT_OF(one);
        written_count = 0;
        chip.is_busy = false;
        ctl_store_step();
        tidied += ctl.stored.tail < tail;
        if (written_count || step % LONGEST_LAG == 0) {
            cut_now(written_count, lag);
        }
    }
    written_room = 0;
}

static void restless(void)
{
    static struct run run;
    static const uint32_t pace[] = {1, 3, 20, 100};
    memset(chip.bytes, 0xFF, sizeof chip.bytes);
    demand(boot(&run), "a new chip is refused");
    remember();
    for (unsigned i = 0; i < COUNT_OF(pace) && CTL_ROWS <= CTL_ROWS_AT_ONCE; i++) {
        change_without_end(2, pace[i], false);
    }
    for (unsigned i = 2; i < COUNT_OF(pace) && CTL_ROWS <= CTL_ROWS_AT_ONCE; i++) {
        change_without_end(2, pace[i], true);
    }
}
#endif

/* A chip that is made ready, or taken over from another version of the design. */
static void cut_at_power_on(const uint8_t image[])
{
    static struct run run;
    memcpy(chip.bytes, image, sizeof chip.bytes);
    if (boot(&run)) {
        run.old = run.new = kept_now();
        cut(&run, false);
    }
}

int main(int count, char **arguments)
{
    if (count != 4) {
        fputs("cuts SEED SAVES DEEP\n", stderr);
        return 2;
    }
    state = strtoull(arguments[1], NULL, 10);
    unsigned long wanted = strtoul(arguments[2], NULL, 10);
    deep = strtoul(arguments[3], NULL, 10);
    static uint8_t image[CTL_STORAGE_BYTES];
    memset(image, 0xFF, sizeof image);
    cut_at_power_on(image);
    for (size_t i = 0, first = draw(COUNT_OF(wild_images)); i < (deep ? COUNT_OF(wild_images) : 2); i++) {
        cut_at_power_on(wild_images[(first + i) % COUNT_OF(wild_images)]);
    }
    static struct run run;
    memset(chip.bytes, 0xFF, sizeof chip.bytes);
    demand(boot(&run), "a new chip is refused");
    /* Anywhere in the journal, then where it is full and brought home, and where it begins again over old entries. */
    for (unsigned long n = 0; n < wanted * (1 + 64 / CTL_ROWS); n++) {
        for (uint32_t more = draw(4); more; more--) {
            save(false);
        }
        save(true);
    }
    for (unsigned long n = 0; n < 1 + wanted / 8; n++) {
        for (uint64_t before = tidied; tidied == before;) {
            save(!ctl_has_room(CTL_ROWS_AT_ONCE < 8 ? CTL_ROWS_AT_ONCE : 8));
        }
        save(true);
    }
#if CTL_HELD_BYTES
    restless();
#endif
    printf("{\"saves\": %llu, \"tidied\": %llu, \"cuts\": %llu, \"cuts_in_recovery\": %llu, \"cuts_while_changing\": %llu, \"boots\": %llu}\n",
           (unsigned long long)saves, (unsigned long long)tidied, (unsigned long long)cut_bytes, (unsigned long long)cut_again,
           (unsigned long long)cut_restless, (unsigned long long)boots);
    return 0;
}
#else
int main(void)
{
    puts("{\"saves\": 0, \"tidied\": 0, \"cuts\": 0, \"cuts_in_recovery\": 0, \"cuts_while_changing\": 0, \"boots\": 0}");
    return 0;
}
#endif
