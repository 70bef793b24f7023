/* The desk: a computer on the serial header asks, the logger answers. Nothing is recorded meanwhile. */
#ifndef OT_DESK_H
#define OT_DESK_H

#include <stdint.h>

/* Wait for a greeting; when it comes, serve until the computer leaves. `memory` is OT_RING_BYTES of working space. */
void ot_desk_run(uint8_t *memory);

#endif
