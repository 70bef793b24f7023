/* The two-wire bus (I2C, standard mode), as its one controller: registers of a part, read and written. */
#ifndef OT_WIRE_H
#define OT_WIRE_H

#include <stdbool.h>
#include <stdint.h>

/* Both return false when the part does not answer, or when either line is held low for more than a millisecond. */
bool ot_wire_read(uint8_t address, uint8_t reg, uint8_t *bytes, uint8_t count) __attribute__((warn_unused_result));
bool ot_wire_write(uint8_t address, uint8_t reg, uint8_t value) __attribute__((warn_unused_result));

#endif
