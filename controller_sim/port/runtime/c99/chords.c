/* Which chords the switches of a group can still become, and which keys they become. */
#include <string.h>

#include "state.h"

#if CTL_HAS_CHORDS
/* Whether a chord is bound for the open group, and was made of switches that were up. */
bool ctl_is_makeable(const CTL_FLASH struct ctl_chord *chord)
{
#if CTL_HAS_CONDITIONS
    if (!chord->always && !(chord->conditions & ctl.group_conditions)) {
        return false;
    }
#endif
    return !(ctl_masks[chord->key] & ctl.group_held);
}

/* A makeable chord of the mode that holds all of `switches` and is not `except`, or CTL_NOBODY. */
uint8_t ctl_chord_with(ctl_switches_t switches, ctl_switches_t except)
{
    const CTL_FLASH struct ctl_part *part = &ctl_mode_chords[ctl.mode];
    for (uint8_t i = 0; i < part->count; i++) { /* at most CTL_MOST_CHORDS rounds */
        const CTL_FLASH struct ctl_chord *chord = &ctl_chords[part->first + i];
        ctl_switches_t mask = ctl_masks[chord->key];
        if (!(switches & (ctl_switches_t)~mask) && mask != except && ctl_is_makeable(chord)) {
            return chord->key;
        }
    }
    return CTL_NOBODY;
}

static uint8_t member_count(ctl_switches_t mask)
{
    uint8_t count = 0;
    for (; mask; mask &= (ctl_switches_t)(mask - 1u)) { /* at most CTL_MOST_TOGETHER rounds */
        count++;
    }
    return count;
}

/* The place, in the order of presses, of the last member of a key. */
static uint8_t last_place(ctl_switches_t mask)
{
    uint8_t place = ctl.group_size;
    while (place > 1u) { /* at most CTL_MOST_TOGETHER rounds */
        place--;
        if (mask & CTL_BIT(ctl.group_order[place])) {
            return place;
        }
    }
    return 0;
}

/* The largest makeable chord within `switches`, among equals the one whose last member went down first, then the lower key. */
static uint8_t largest_chord(ctl_switches_t switches)
{
    const CTL_FLASH struct ctl_part *part = &ctl_mode_chords[ctl.mode];
    uint8_t best = CTL_NOBODY, best_count = 0, best_last = 0;
    for (uint8_t i = 0; i < part->count; i++) { /* at most CTL_MOST_CHORDS rounds */
        const CTL_FLASH struct ctl_chord *chord = &ctl_chords[part->first + i];
        ctl_switches_t mask = ctl_masks[chord->key];
        if (mask & (ctl_switches_t)~switches || !ctl_is_makeable(chord)) {
            continue;
        }
        uint8_t count = member_count(mask), last = last_place(mask);
        if (count > best_count || (count == best_count && last < best_last)) {
            best = chord->key;
            best_count = count;
            best_last = last;
        }
    }
    return best;
}

/* The keys that the group as it is now becomes, each at the place of its last member in the order of presses. */
void ctl_partition(uint8_t formed[])
{
    ctl_switches_t rest = ctl.group;
    memset(formed, CTL_NOBODY, CTL_SWITCHES);
    while (rest) { /* at most (CTL_MOST_TOGETHER + 1) / 2 rounds */
        uint8_t k = largest_chord(rest);
        if (k == CTL_NOBODY) {
            break;
        }
        formed[last_place(ctl_masks[k])] = k;
        rest &= (ctl_switches_t)~ctl_masks[k];
    }
    for (uint8_t place = 0; place < ctl.group_size; place++) { /* at most CTL_MOST_TOGETHER rounds */
        if (rest & CTL_BIT(ctl.group_order[place])) {
            formed[place] = ctl.group_order[place];
        }
    }
}
#endif
