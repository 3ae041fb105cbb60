"""Routes under /restocks/."""

from django.urls import URLPattern, path

from forecasting.restocking import carrying_pages, pages, settings_pages

app_name = "restocks"
urlpatterns: list[URLPattern] = [
    path("", pages.index, name="list"),
    path("draft/", pages.draft, name="draft"),
    path("again/", pages.renew_week, name="week-again"),
    path("settings/", settings_pages.settings, name="settings"),
    path("settings/<int:pk>/", settings_pages.holding, name="holding"),
    path("<int:pk>/", pages.show, name="show"),
    path("<int:pk>/change/", pages.change, name="change"),
    path("<int:pk>/undo-changes/", pages.undo_changes, name="undo-changes"),
    path("<int:pk>/again/", pages.renew, name="again"),
    path("<int:pk>/take-back/", pages.take_back, name="take-back"),
    path("<int:pk>/cancel/", pages.cancel, name="cancel"),
    path("<int:pk>/pick/", carrying_pages.pick, name="pick"),
    path("<int:pk>/confirm/", carrying_pages.confirm, name="confirm"),
    path("<int:pk>/differences/", carrying_pages.differences, name="differences"),
    path("<int:pk>/pick-list.pdf", pages.pick_list_as_pdf, name="pick-list-pdf"),
    path("<int:pk>/pick-list.csv", pages.pick_list_as_csv, name="pick-list-csv"),
]
