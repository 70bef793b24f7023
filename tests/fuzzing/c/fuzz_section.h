/* Included before every file of the core: what it keeps in zeroed memory goes into a section of its own, which
 * fuzz_board_run() wipes, so that every input meets a chip that was just switched on. */
#pragma clang section bss = ".core_bss"
