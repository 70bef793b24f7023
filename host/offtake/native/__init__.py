"""The few loops in C that reading a journal spends most of its time in, where a C compiler is at hand.

Everything here has an equal in NumPy or zlib beside the place that calls it, and the tests run both.
OFFTAKE_NO_NATIVE=1 in the environment turns this off.
"""

from offtake.native.kernels import OFF, Kernels, WalkedFrames, kernels

__all__ = ["OFF", "Kernels", "WalkedFrames", "kernels"]
