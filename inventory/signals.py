"""What the ledger tells those who build on it, inside the same transaction."""

from django.dispatch import Signal

# Sent when values that documents carry have changed: documents (set of document ids),
# consumables_from (dict: consumable id -> the moment from which its costs may have changed).
revalued = Signal()
