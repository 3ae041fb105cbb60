"""Whose glass it is: a customer and a site by name, found among the known ones or created."""

from dataclasses import dataclass

from django.core.exceptions import ValidationError
from django.db.models import Q

from shop.models import Customer, Site
from shop.web.bookings.next_reference import next_free

FIRST_CODE = "K-0001"
MOST_NAMED = 5
LATEST_OFFERED = 100


@dataclass(frozen=True, slots=True)
class Whose:
    """What was said of the customer and site; all empty: nothing is known of either."""

    customer: str
    is_new: bool
    phone: str
    site: str
    address: str


def find_or_make(whose: Whose) -> Site | None:
    """Return the site, made with its customer where they are new; None when no customer is named.

    Raises ValidationError for `customer` or `site`, with what was found instead.
    """
    if not whose.customer:
        if whose.site:
            raise ValidationError({"customer": "Say whose site it is."})
        return None
    customer = _customer(whose)
    if not whose.site:
        return _only_site(customer)
    known = customer.sites.filter(name__iexact=whose.site).order_by("pk").first() if customer.pk else None
    if known is not None:
        return known
    if not customer.pk:
        customer.full_clean()
        customer.save()
    site = Site(customer=customer, name=whose.site, address=whose.address)
    site.full_clean()
    site.save()
    return site


def offered() -> list[str]:
    """Return the names of the latest customers, to choose from while typing. One query."""
    return list(Customer.objects.order_by("-pk").values_list("name", flat=True)[:LATEST_OFFERED])


def _customer(whose: Whose) -> Customer:
    """Return the customer of that code or name; a new one, unsaved, only on request."""
    by_code = Customer.objects.filter(code=whose.customer).first()
    if by_code is not None:
        return by_code
    named = list(Customer.objects.filter(name__iexact=whose.customer).order_by("pk")[: MOST_NAMED + 1])
    if len(named) > 1:
        codes = ", ".join(customer.code for customer in named)
        raise ValidationError({"customer": f"Several customers are called that; give the code: {codes}."})
    if named:
        return named[0]
    if not whose.is_new:
        raise ValidationError(
            {"customer": f"No customer is called {whose.customer}. {_similar(whose.customer)}"}
        )
    if not whose.site:
        raise ValidationError({"site": "Say where the new customer's glass is."})
    return Customer(code=_next_code(), name=whose.customer, phone=whose.phone)


def _similar(name: str) -> str:
    words = [word for word in name.split() if len(word) > 2]
    likeness = Q()
    for word in words:
        likeness |= Q(name__icontains=word)
    near = Customer.objects.filter(likeness).order_by("name")[:MOST_NAMED] if words else []
    listed = ", ".join(customer.name for customer in near)
    add = "tick New customer to add one."
    return f"Is it {listed}? If not, {add}" if listed else f"Check the name, or {add}"


def _only_site(customer: Customer) -> Site:
    sites = list(customer.sites.order_by("name")[: MOST_NAMED + 1])
    if len(sites) == 1:
        return sites[0]
    if not sites:
        raise ValidationError(
            {"site": f"Nothing is known yet of where {customer}'s glass is; name the site."}
        )
    listed = ", ".join(site.name for site in sites[:MOST_NAMED])
    more = " and others" if len(sites) > MOST_NAMED else ""
    raise ValidationError({"site": f"{customer} has several: {listed}{more}. Say which, or name a new one."})


def _next_code() -> str:
    latest = Customer.objects.order_by("-pk").values_list("code", flat=True).first() or ""
    return next_free(
        latest,
        FIRST_CODE,
        lambda codes: Customer.objects.filter(code__in=codes).values_list("code", flat=True),
    )
