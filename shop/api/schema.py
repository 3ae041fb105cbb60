"""How the documents' routes are described in OpenAPI."""

from typing import Any

from drf_spectacular.openapi import AutoSchema
from drf_spectacular.utils import OpenApiParameter

from inventory.documents import LONGEST_ID
from shop.api.problems import MEDIA_TYPE, ProblemSerializer
from shop.api.serializers import PostedSerializer, RecordedSerializer

REFUSALS = {"GET": (401, 403, 404), "PUT": (400, 401, 403, 409, 413, 415)}


class DocumentSchema(AutoSchema):
    """A document's route: its id in the path, its shape as the body, problem details for refusals."""

    def get_override_parameters(self) -> list[Any]:
        """Describe the id."""
        return [
            OpenApiParameter(
                "client_id",
                {"type": "string", "minLength": 1, "maxLength": LONGEST_ID},
                OpenApiParameter.PATH,
                description="chosen by the sender, unique within the kind; printable characters",
            )
        ]

    def get_request_serializer(self) -> Any:
        """Return the shape of the document."""
        return getattr(self.view, "serializer_class")  # noqa: B009 - a view of ours has it

    def get_response_serializers(self) -> Any:
        """Return the answers by status and media type."""
        answers: dict[Any, Any] = {(s, MEDIA_TYPE): ProblemSerializer for s in REFUSALS[self.method]}
        if self.method == "GET":
            return {200: RecordedSerializer, **answers}
        return {200: PostedSerializer, 201: PostedSerializer, **answers}
