"""Values of data sheet fields as people write them: which are the same, their order, what they are called."""

FieldValue = bool | float | int | str
"""What a field of a data sheet may hold."""

YES_AND_NO = {"active": ("passive", "active"), "potted": ("not potted", "potted")}
"""What no and yes are called, by field."""


def same(value: FieldValue) -> FieldValue:
    """What two values share that mean the same: case and spaces of text don't count; yes is not the number 1."""
    if isinstance(value, bool):
        return f"\0{value}"
    return " ".join(value.casefold().split()) if isinstance(value, str) else float(value)


def ordered(value: FieldValue) -> tuple[int, float, str]:
    """Where a value stands: no before yes, then numbers rising, then text by letters."""
    if isinstance(value, bool):
        return (0, float(value), "")
    if isinstance(value, str):
        return (2, 0.0, " ".join(value.casefold().split()))
    return (1, float(value), "")


def named(value: FieldValue, field: str) -> str:
    """The value in words: yes of `active` is active, 42 of `wire_awg` is wire_awg 42."""
    if isinstance(value, bool):
        return YES_AND_NO[field][value] if field in YES_AND_NO else f"{field} {'yes' if value else 'no'}"
    return value if isinstance(value, str) else f"{field} {value:g}"
