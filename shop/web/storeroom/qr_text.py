"""What the QR label of a consumable says, so that the phone knows what lies before it. Pure.

The text is `SB1:` and the consumable's code, nothing else: short enough for a small symbol (ISO/IEC 18004),
readable by eye, and distinct from any other code that a camera meets. The phone reads it
in shop/static/shop/phone/scan.js.
"""

PREFIX = "SB1:"


def label_text(code: str) -> str:
    """Return what the label of a consumable says."""
    return f"{PREFIX}{code}"
