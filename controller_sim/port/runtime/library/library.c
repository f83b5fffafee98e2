/* The firmware and its host in one translation unit. */
#define CTL_HOST
#define CTL_AT_ONCE
#define CTL_TRACE
#include "deadlines.c"
#include "contacts.c"
#include "chords.c"
#include "recogniser.c"
#include "modes.c"
#include "show.c"
#include "messages.c"
#include "tempo.c"
#include "arrivals.c"
#include "image.c"
#include "storage.c"
#include "recovery.c"
#include "design.c"
#include "host.c"
