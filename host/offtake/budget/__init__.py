"""Whether the wiring, the board, the card and the supply will do, worked out before anything is soldered."""
