"""The firmware onto a board: the port, the boot loader that answers there, and what an upload's failure means."""
