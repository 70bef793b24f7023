"""Generated from shared_spec by `offtake spec generate`: records and dialects."""
