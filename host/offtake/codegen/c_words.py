"""Words of the spec as they may stand in generated C."""

from __future__ import annotations


def comment(words: str) -> str:
    """``/* words */``. The loader keeps comment signs and controls out of words; here go trigraphs, compilers warn."""
    return f"/* {words.replace('??', '? ?')} */"


def bytes_table(declaration: str, data: bytes) -> list[str]:
    """Lines of an array of bytes."""
    rows = ["    " + " ".join(f"0x{value:02x}," for value in data[at : at + 12]) for at in range(0, len(data), 12)]
    return [f"{declaration} = {{", *rows, "};", ""]
