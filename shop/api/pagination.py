"""Long lists come in pages, with the number of all rows."""

from rest_framework.pagination import PageNumberPagination
from rest_framework.request import Request

from inventory.documents import Problem
from shop.api.problems import Malformed

LARGEST_PAGE = 500


class Pages(PageNumberPagination):
    """`page` counts from 1; `page_size` is the number of rows on a page."""

    page_size = 50
    page_size_query_param = "page_size"
    max_page_size = LARGEST_PAGE
    page_size_query_description = f"rows on a page, 1 to {LARGEST_PAGE}"

    def get_page_size(self, request: Request) -> int:
        """Return the number of rows on a page. Raises Malformed for an invalid number."""
        asked = request.query_params.get(self.page_size_query_param or "", "")
        if not asked:
            return self.page_size or LARGEST_PAGE
        if not (asked.isascii() and asked.isdigit() and len(asked) < 6 and 1 <= int(asked) <= LARGEST_PAGE):
            raise Malformed([Problem("page_size", asked, f"is not a whole number from 1 to {LARGEST_PAGE}")])
        return int(asked)
