"""The journal: blocks and frames to bytes and back, reading, checking and salvaging what a card holds."""
