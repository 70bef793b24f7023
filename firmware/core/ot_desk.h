/* The desk: a computer on the serial header asks, the logger answers. Nothing is recorded meanwhile. */
#ifndef OT_DESK_H
#define OT_DESK_H

/* Wait for a greeting; when it comes, serve until the computer leaves. Works in the ring's memory. */
void ot_desk_run(void);

#endif
