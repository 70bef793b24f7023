"""The firmware's core compiled for this computer: for tests of C against Python, and where no AVR tools can be had."""
