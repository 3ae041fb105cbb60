"""What the ledger tells those who build on it, inside the same transaction."""

from django.dispatch import Signal

# Sent when what was posted before has changed its cost: documents (set of the ids of earlier documents whose
# values changed), received_from (dict: consumable id -> the moment from which its receipts are others),
# corrections (frozenset of the ids of corrections among what was just posted).
revalued = Signal()
