"""The one way into the stock ledger: `post` and `post_many`."""

from inventory.ledger.posting import (
    Conflict,
    Posting,
    Refused,
    keep_refused,
    once_more_if_raced,
    post,
    post_many,
    post_within,
)

__all__ = [
    "Conflict",
    "Posting",
    "Refused",
    "keep_refused",
    "once_more_if_raced",
    "post",
    "post_many",
    "post_within",
]
