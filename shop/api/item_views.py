"""What routes of one thing have in common: names in the address that can be looked up, and who may."""

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
    """One thing: GET shows it, PUT makes or changes it."""

    permission_classes = [RoleMay]
    http_method_names = ["get", "head", "put"]
    writers: ClassVar[frozenset[Role]] = OWNERS

    def initial(self, request: Request, *args: Any, **named: Any) -> None:
        """Refuse a name that nothing can have, once it is clear that who asks may."""
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
    """Return what a model refuses, with the values it is about."""
    return [
        Problem("body" if field == "__all__" else field, values.get(field, ""), text)
        for field, texts in error.message_dict.items()
        for text in texts
    ]
