/* What is said to the compiler beyond C99. */
#ifndef OT_COMPILER_H
#define OT_COMPILER_H

/* The receive interrupt's work is part of it, not a call from it. */
#define OT_INLINE static inline __attribute__((always_inline))

/* Keeps a function's variables off the stack while its caller does something else: inlined, they would pile up. */
#define OT_NOINLINE __attribute__((noinline))

/* Makes the compiler forget where a pointer points, so that it reaches a struct's members over the pointer: on a small
 * machine half as long as one absolute address each. */
OT_INLINE void *ot_over_pointer(void *pointer)
{
    __asm__("" : "+r"(pointer));
    return pointer;
}

#endif
