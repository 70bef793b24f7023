"""The bench: the real firmware image in an emulator, against a simulated line, card, power and desk."""
