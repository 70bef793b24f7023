"""Whether the tap did the receiver any harm: two recordings, before and after, held against each other."""
