/* Where constant tables live: in flash on chips that read it by other instructions than RAM (AVR), else plainly const.
 *
 * A table is `const CTL_FLASH type name[]`, a pointer into one `const CTL_FLASH type *`. avr-gcc needs -std=gnu99 for it.
 */
#ifndef CTL_FLASH_H
#define CTL_FLASH_H

#ifdef __AVR__
#define CTL_FLASH __flash
#else
#define CTL_FLASH
#endif

#endif
