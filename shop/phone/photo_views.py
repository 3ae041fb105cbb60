"""Photos from the phone: taken in once however often they are sent, shown to those who may see the job."""

import uuid
from http import HTTPStatus

from django.core.exceptions import PermissionDenied
from django.core.files.storage import default_storage
from django.http import FileResponse, Http404, HttpRequest, HttpResponseBase, JsonResponse
from django.utils import timezone
from django.views.decorators.cache import cache_control
from django.views.decorators.http import require_http_methods

from shop.jobs.photos import (
    LARGEST_UPLOAD_BYTES,
    PhotoConflict,
    PhotoNotKeptError,
    PhotoRefused,
    PhotosBusyError,
    keep,
)
from shop.models import Job, Moment, Person, Photo, Role
from shop.people.permissions import for_roles, own_van, person_of, role_of

# On this answer a phone keeps its photo and sends it again by itself.
TRY_AGAIN_AFTER_S = 30


@require_http_methods(["GET", "HEAD", "PUT"])
@cache_control(private=True, max_age=3600)
@for_roles(Role.TECHNICIAN, Role.OWNER)
def photo(request: HttpRequest, photo_id: str) -> HttpResponseBase:
    """Show a photo of a job, or take one in from a technician's phone."""
    person = person_of(request)
    if request.method == "PUT":
        return _take_in(request, person, photo_id)
    id_ = _uuid(photo_id)
    found = Photo.objects.select_related("job").filter(pk=id_).first() if id_ else None
    if found is None or not _may_see(person, found.job):
        raise Http404
    try:
        content = default_storage.open(found.file_name)
    except FileNotFoundError as error:
        raise Http404(f"The file of photo {found.pk} is missing in MEDIA_ROOT.") from error
    return FileResponse(content, content_type="image/jpeg", filename=f"{found.moment}.jpg")


def _take_in(request: HttpRequest, person: Person, photo_id: str) -> JsonResponse:
    if role_of(person) != Role.TECHNICIAN:
        raise PermissionDenied
    id_, moment = _uuid(photo_id), request.GET.get("moment", "")
    if id_ is None or moment not in Moment.values:
        return _problem(HTTPStatus.BAD_REQUEST, "A photo needs an id (a UUID) and a moment: before or after.")
    job = Job.objects.filter(reference=request.GET.get("job", "")).first()
    own = own_van(person)
    if job is None or own is None or not own.may_add_to(job.reference):
        return _problem(HTTPStatus.FORBIDDEN, "This job is not yours, or the shop does not have it.")
    sent = request.read(LARGEST_UPLOAD_BYTES + 1)
    try:
        kept, created = keep(id_, sent, job=job, moment=Moment(moment), by=person, now=timezone.now())
    except PhotoConflict as conflict:
        return _problem(HTTPStatus.CONFLICT, str(conflict))
    except PhotoRefused as refusal:
        return _problem(HTTPStatus.BAD_REQUEST, str(refusal))
    except PhotoNotKeptError as failure:
        return _come_again(failure)
    return JsonResponse({"id": str(kept.pk)}, status=HTTPStatus.CREATED if created else HTTPStatus.OK)


def _come_again(failure: PhotoNotKeptError) -> JsonResponse:
    busy = isinstance(failure, PhotosBusyError)
    status = HTTPStatus.SERVICE_UNAVAILABLE if busy else HTTPStatus.INSUFFICIENT_STORAGE
    answer = _problem(status, str(failure))
    answer.headers["Retry-After"] = str(TRY_AGAIN_AFTER_S)
    return answer


def _may_see(person: Person, job: Job) -> bool:
    """A technician sees photos of own jobs only."""
    if role_of(person) != Role.TECHNICIAN:
        return True
    own = own_van(person)
    return own is not None and own.has_job(job.reference)


def _uuid(text: str) -> uuid.UUID | None:
    try:
        return uuid.UUID(text)
    except ValueError:
        return None


def _problem(status: HTTPStatus, detail: str) -> JsonResponse:
    """Return problem details (RFC 9457)."""
    body = {"type": "about:blank", "title": status.phrase, "status": status, "detail": detail}
    return JsonResponse(body, status=status, content_type="application/problem+json")
