/* The same board for libFuzzer: an input is a session. */
#include "wild_board.c"

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t count);

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t count)
{
    play(bytes, count);
    return 0;
}
