"""The journal many blocks at a time: windows of blocks, tables of frames, the receiver's stream, on NumPy and zlib.

What is regular (intact blocks, whole frames) is worked on a window at once; whatever is not goes, block by block,
through the functions of :mod:`offtake.journal.frames`, so that there is one opinion on damage.
"""
