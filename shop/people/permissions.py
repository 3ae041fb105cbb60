"""Who may see and do what, for pages, API and admin alike."""

from collections.abc import Callable, Mapping
from datetime import datetime, timedelta
from functools import wraps
from typing import Any, TypeGuard

from django.contrib.auth.decorators import login_required
from django.contrib.auth.models import AnonymousUser
from django.core.exceptions import PermissionDenied
from django.db.models import Q, QuerySet
from django.http import HttpRequest, HttpResponseBase

from inventory.documents import DocumentKind
from inventory.models import Document, Place, PlaceKind
from shop.models import Job, JobCost, JobStatus, Person, Role, Technician, Van

STOCK_KINDS = frozenset({DocumentKind.RECEIPT, DocumentKind.TRANSFER, DocumentKind.COUNT, DocumentKind.SCRAP})
VAN_KINDS = frozenset(
    {
        DocumentKind.CLOSE,
        DocumentKind.USE,
        DocumentKind.RETURN,
        DocumentKind.COUNT,
        DocumentKind.TRANSFER,
        DocumentKind.CORRECTION,
    }
)
ALL_KINDS = frozenset(DocumentKind)
EVERYONE = frozenset(Role)
STOCK_ROLES = frozenset({Role.STOREKEEPER, Role.OWNER})
STOCK_READERS = STOCK_ROLES | {Role.ACCOUNTANT}
VAN_AND_STOCK = STOCK_ROLES | {Role.TECHNICIAN}
# How long a close may come late from a van that its technician has left meanwhile.
RECENTLY = timedelta(days=7)
# How long after it came in a technician may take back their own close.
TAKE_BACK = timedelta(days=1)

# What is not listed is not allowed. A technician's are further limited to the own van and jobs, and the
# corrections to own closes of the last day; a storekeeper's corrections to STOCK_KINDS.
MAY_POST: Mapping[Role, frozenset[DocumentKind]] = {
    Role.TECHNICIAN: VAN_KINDS,
    Role.STOREKEEPER: STOCK_KINDS | {DocumentKind.RETURN, DocumentKind.CORRECTION},
    Role.OWNER: ALL_KINDS,
}
MAY_READ: Mapping[Role, frozenset[DocumentKind]] = {**MAY_POST, Role.ACCOUNTANT: ALL_KINDS}


def is_person(user: object) -> TypeGuard[Person]:
    """Return whether someone is signed in and active."""
    return isinstance(user, Person) and user.is_active


def role_of(person: Person) -> Role:
    """Return a person's role; a person made by createsuperuser owns the deployment."""
    return Role.OWNER if person.is_superuser else Role(person.role)


def is_owner(user: Person | AnonymousUser) -> bool:
    """Return whether someone signed in is an owner."""
    return is_person(user) and role_of(user) == Role.OWNER


def sees_costs(user: object) -> bool:
    """Return whether someone may see what things cost the shop; a technician may not."""
    return is_person(user) and role_of(user) != Role.TECHNICIAN


View = Callable[..., HttpResponseBase]


def for_roles(*roles: Role) -> Callable[[View], View]:
    """Return a decorator that serves a page to these roles, and sends the signed-out to sign in."""

    def decorate(view: View) -> View:
        @wraps(view)
        def serve(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
            if not is_person(request.user) or role_of(request.user) not in roles:
                raise PermissionDenied
            return view(request, *args, **kwargs)

        return login_required(serve)

    return decorate


def person_of(request: HttpRequest) -> Person:
    """Return who asks, on a page that `for_roles` guards. Raises PermissionDenied for anyone else."""
    if not is_person(request.user):
        raise PermissionDenied
    return request.user


class OwnVan:
    """What belongs to a technician: today's van, their own jobs, and those of that van that nobody has."""

    def __init__(self, technician: Technician, van: Van) -> None:
        self.technician = technician
        self.van = van
        self.code = van.code

    def has_job(self, reference: str) -> bool:
        """Return whether a job is the technician's own, or nobody's yet."""
        job = Job.objects.filter(reference=reference).only("van_id", "technician_id").first()
        return job is None or self._is_own(job)

    def may_add_to(self, reference: str) -> bool:
        """Return whether something may be added to a closed job: an own one, or one done from the own van.

        Two people of one van may work on one job, and only one of them closes it.
        """
        return self.has_job(reference) or self.jobs_done_from_van().filter(reference=reference).exists()

    def jobs_done_from_van(self) -> QuerySet[Job]:
        """Return the closed jobs of the own van, whoever did them."""
        return Job.objects.filter(van=self.van, status=JobStatus.CLOSED)

    def may_close(self, reference: str, van: str, closed_at: datetime) -> bool:
        """Return whether a job may be closed as done from a van.

        From today's van, even a job that a colleague there has closed: that close stands, and the sender
        is told so. And late, from the one the job is booked on: where it is the technician's
        by name, or the technician closed jobs from there in the week before.
        """
        job = Job.objects.select_related("van__place").filter(reference=reference).first()
        if van == self.code:
            closed_here = job is not None and job.van_id == self.van.pk and job.status == JobStatus.CLOSED
            return job is None or self._is_own(job) or closed_here
        if job is None or job.van.code != van:
            return False
        return job.technician_id == self.technician.pk or (
            job.technician_id is None and self._worked_from(job.van, closed_at)
        )

    def _worked_from(self, van: Van, until: datetime) -> bool:
        within = (until - RECENTLY, until)
        return JobCost.objects.filter(
            technician=self.technician, van=van, jobs=1, closed_at__range=within
        ).exists()

    def has_document(self, kind: str, client_id: str) -> bool:
        """Return whether a document was posted to one of these jobs."""
        job = Job.objects.filter(costs__document__kind=kind, costs__document__client_id=client_id).first()
        return job is not None and self._is_own(job)

    def _is_own(self, job: Job) -> bool:
        unclaimed = job.technician_id is None and job.van_id == self.van.pk
        return unclaimed or job.technician_id == self.technician.pk

    def may_take_back(self, close: str, correction: str, now: datetime) -> bool:
        """Return whether a correction may undo a close: one's own, within a day after it came in.

        The same correction sent again later is for the ledger to answer.
        """
        by = self.technician.person.get_username() if self.technician.person else ""
        in_time = Q(recorded_at__gte=now - TAKE_BACK) | Q(corrected_by__client_id=correction)
        own = Document.objects.filter(in_time, kind=DocumentKind.CLOSE, client_id=close, recorded_by=by)
        return own.exists() and self.has_document(DocumentKind.CLOSE, close)

    def may_carry(self, source: str, destination: str) -> bool:
        """Return whether stock may be moved: from the own van to anywhere, to it only from the depot.

        The giver enters it; nobody takes from another van, or touches what is under way to one.
        """
        if source == self.code:
            return not self._is_anothers(destination, PlaceKind.TRANSIT)
        return destination == self.code and not self._is_anothers(source, PlaceKind.VAN, PlaceKind.TRANSIT)

    def _is_anothers(self, code: str, *kinds: PlaceKind) -> bool:
        own = Q(pk=self.van.place_id) | Q(bound_for=self.van.place_id)
        return Place.objects.filter(code=code, kind__in=kinds).exclude(own).exists()

    def jobs(self) -> QuerySet[Job]:
        """Return the jobs that are the technician's own, or nobody's yet."""
        return Job.objects.filter(Q(technician=None, van=self.van) | Q(technician=self.technician))


def own_van(person: Person) -> OwnVan | None:
    """Return the van of a technician who signed in, None without one."""
    technician = Technician.objects.select_related("van__place", "person").filter(person=person).first()
    return OwnVan(technician, technician.van) if technician and technician.van else None
