"""Routes under /jobs/."""

from django.urls import URLPattern, path

from shop.web.bookings import booking_views, estimate_views, list_views

app_name = "intake"
urlpatterns: list[URLPattern] = [
    path("", list_views.bookings, name="bookings"),
    path("estimate/", estimate_views.estimate, name="estimate"),
    path("book/", booking_views.book, name="book"),
    path("<int:pk>/", booking_views.change, name="change"),
    path("<int:pk>/cancel/", booking_views.cancel, name="cancel"),
]
