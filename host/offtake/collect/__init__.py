"""Many journals as one dataset: which files are journals, what was made of each, and how it is put in place."""
