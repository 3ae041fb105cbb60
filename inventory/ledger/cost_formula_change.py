"""Changing the cost formula: from the first open moment on, so that locked periods stay as they are."""

from django.db import transaction

from inventory import signals
from inventory.ledger.period_lock import hold_postings, open_from
from inventory.models import CostPolicy, Movement
from inventory.perpetual_valuation import stored_values
from inventory.perpetual_valuation.valuer import Valuer
from inventory.valuation.cost_layers import CostFormula


@transaction.atomic
def change_method(method: CostFormula) -> set[int]:
    """Value stock by `method` from the first open moment on; return the documents whose values changed.

    Replaces what was decided for that moment or a later one. Quantity and value of each pool go on as they
    are at that moment (the change is not applied to periods that are closed).
    """
    hold_postings()
    first_open = open_from()
    later = CostPolicy.objects.all()
    if first_open is not None:
        later = later.filter(effective_from__gte=first_open)
    in_force = Valuer().method_at(first_open)
    if in_force is method and not later.exclude(method=method).exists():
        return set()
    later.delete()
    CostPolicy.objects.create(method=method, effective_from=first_open)
    changed = stored_values.rebuild()
    signals.revalued.send(sender=Movement, documents=changed, received_from={}, corrections=frozenset())
    return changed
