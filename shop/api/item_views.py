"""What the routes of single records share: valid names in the address, and who may use them."""

from collections.abc import Mapping
from typing import Any, ClassVar

from django.core.exceptions import ValidationError
from django.http import Http404
from rest_framework.request import Request

from inventory.documents import Problem, text_problem
from shop.api.lists import OWNERS, RoleMay
from shop.api.permissions import MethodsFirst
from shop.api.problems import Malformed
from shop.models import Role

LONGEST_NAME = 200


class ItemView(MethodsFirst):
    """A record: GET shows it, PUT creates or changes it."""

    permission_classes = [RoleMay]
    http_method_names = ["get", "head", "put"]
    writers: ClassVar[frozenset[Role]] = OWNERS

    def initial(self, request: Request, *args: Any, **named: Any) -> None:
        """Refuse a name that no record can have, after the check of the role."""
        super().initial(request, *args, **named)
        problems = [
            Problem(name, value, found)
            for name, value in named.items()
            if isinstance(value, str) and (found := text_problem(value, LONGEST_NAME))
        ]
        if problems and request.method != "PUT":
            raise Http404
        if problems:
            raise Malformed(problems)


def problems_of(error: ValidationError, values: Mapping[str, Any]) -> list[Problem]:
    """Return the problems that a model found, with their values."""
    return [
        Problem("body" if field == "__all__" else field, values.get(field, ""), text)
        for field, texts in error.message_dict.items()
        for text in texts
    ]
