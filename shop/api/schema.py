"""How routes are described in OpenAPI: problem details for refusals everywhere, and the documents' routes."""

from http import HTTPStatus
from typing import Any

from drf_spectacular.openapi import AutoSchema
from drf_spectacular.utils import OpenApiParameter

from inventory.documents import LONGEST_ID
from shop.api.problems import MEDIA_TYPE, ProblemSerializer
from shop.api.serializers import PostedSerializer, RecordedSerializer

ALWAYS = (400, 401, 403, 404, 406, 429)
WITH_A_BODY = (409, 413, 415)


class ApiSchema(AutoSchema):
    """Any route: each error is problem details (RFC 9457)."""

    def _get_paginator(self) -> Any:
        # The answer of a list to POST has no pages.
        return super()._get_paginator() if self.method == "GET" else None  # type: ignore[no-untyped-call]

    def _get_response_bodies(self, *args: Any, **kwargs: Any) -> Any:
        bodies = super()._get_response_bodies(*args, **kwargs)
        body = self.method in ("PUT", "POST", "PATCH")
        for status in (*ALWAYS, *(WITH_A_BODY if body else ())):
            if str(status) not in bodies:
                answer = self._get_response_for_code(  # type: ignore[no-untyped-call]
                    ProblemSerializer, str(status), [MEDIA_TYPE]
                )
                bodies[str(status)] = {**answer, "description": HTTPStatus(status).phrase}
        return bodies


class ItemSchema(ApiSchema):
    """A record that PUT creates (201) or changes (200)."""

    def get_request_serializer(self) -> Any:
        """Return its shape."""
        return getattr(self.view, "serializer_class")  # noqa: B009 - a view of ours has it

    def get_response_serializers(self) -> Any:
        """Return the answers by status."""
        shape = self.get_request_serializer()
        return {200: shape} if self.method == "GET" else {200: shape, 201: shape}


class DocumentSchema(ApiSchema):
    """A document's route: its id in the path, its shape as the body."""

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
        """Return the answers by status."""
        if self.method == "GET":
            return {200: RecordedSerializer}
        return {200: PostedSerializer, 201: PostedSerializer}
