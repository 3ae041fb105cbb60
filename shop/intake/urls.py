"""Routes under /jobs/."""

from django.urls import URLPattern, path

from shop.intake import booking_pages, estimate_page, list_page

app_name = "intake"
urlpatterns: list[URLPattern] = [
    path("", list_page.bookings, name="bookings"),
    path("estimate/", estimate_page.estimate, name="estimate"),
    path("book/", booking_pages.book, name="book"),
    path("<int:pk>/", booking_pages.change, name="change"),
    path("<int:pk>/cancel/", booking_pages.cancel, name="cancel"),
]
