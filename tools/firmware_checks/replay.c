/* Plays files as sessions: `replay FILE...`. */
#include "wild_board.c"

int main(int count, char **names)
{
    static uint8_t bytes[65536];
    for (int i = 1; i < count; i++) {
        FILE *file = fopen(names[i], "rb");
        if (!file) {
            perror(names[i]);
            return 2;
        }
        size_t length = fread(bytes, 1, sizeof bytes, file);
        fclose(file);
        play(bytes, length);
    }
    return 0;
}
