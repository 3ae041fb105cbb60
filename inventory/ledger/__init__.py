"""The one way into the stock ledger: `post` and `post_many`."""

from inventory.ledger.posting import Posting, post, post_many, post_within
from inventory.ledger.refusals import Conflict, Refused, keep_refused
from inventory.ledger.retry import once_more_if_raced

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
