"""Phone numbers as people write them. Pure."""

import re

from inventory.documents import name_problem

LONGEST_PHONE = 40
# A plus may begin one (ITU-T E.123), though not what a spreadsheet would run.
PHONE_NUMBER = re.compile(r"\+?[0-9 ()-]*[0-9][0-9 ()-]*")


def phone_problem(text: str) -> str | None:
    """Return what is wrong with a phone number, or None; words may follow it, as in "555 0101, evenings"."""
    if len(text) <= LONGEST_PHONE and text == text.strip() and PHONE_NUMBER.fullmatch(text):
        return None
    return name_problem(text, LONGEST_PHONE)
