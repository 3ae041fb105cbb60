"""What a close or further uses say, kept whole as one text inside the document that the ledger stores. Pure.

The ledger knows a document by the lines that move stock; all else that was said is this text. Digests rest
on it, so it is written in one form and never written again.
"""

import json
from collections.abc import Mapping
from typing import Any


def job_content_text(said: Mapping[str, Any]) -> str:
    """Return what was said, in JSON values, as the text to keep."""
    return json.dumps(said, sort_keys=True, ensure_ascii=False)


def stored_text(content: Mapping[str, Any]) -> str:
    """Return the text kept in the content of a close or further uses. Raises KeyError without one."""
    text: str = content["content"]
    return text


def stored_job_content(content: Mapping[str, Any]) -> dict[str, Any]:
    """Return what a close or further uses said, in JSON values, from the content of their document.

    Raises LookupError, TypeError or ValueError when the content holds no such text.
    """
    said = json.loads(stored_text(content))
    if not isinstance(said, dict):
        raise TypeError(f"a job's document keeps {said!r}, not fields by name")
    return said


def as_sent(content: Mapping[str, Any]) -> dict[str, Any]:
    """Return what the sender of any document said: the text of a job's document, else all but kind and id."""
    if content.get("content"):
        return stored_job_content(content)
    return {name: value for name, value in content.items() if name not in ("kind", "id")}
