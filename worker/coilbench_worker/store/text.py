"""Text that every database takes."""


def storable(text: str) -> str:
    """`text` without what a database column refuses: NUL is dropped, half a surrogate pair becomes a question mark."""
    return text.replace("\x00", "").encode("utf-8", "replace").decode("utf-8")
