"""Routes under /restocks/."""

from django.urls import URLPattern, path

from forecasting.replenishment import pick_ship_receive_views, settings_views, views

app_name = "restocks"
urlpatterns: list[URLPattern] = [
    path("", views.index, name="list"),
    path("draft/", views.draft, name="draft"),
    path("again/", views.renew_week, name="week-again"),
    path("settings/", settings_views.settings, name="settings"),
    path("settings/<int:pk>/", settings_views.holding, name="holding"),
    path("<int:pk>/", views.show, name="show"),
    path("<int:pk>/change/", views.change, name="change"),
    path("<int:pk>/undo-changes/", views.undo_changes, name="undo-changes"),
    path("<int:pk>/again/", views.renew, name="again"),
    path("<int:pk>/take-back/", views.take_back, name="take-back"),
    path("<int:pk>/cancel/", views.cancel, name="cancel"),
    path("<int:pk>/pick/", pick_ship_receive_views.pick, name="pick"),
    path("<int:pk>/confirm/", pick_ship_receive_views.confirm, name="confirm"),
    path("<int:pk>/differences/", pick_ship_receive_views.differences, name="differences"),
    path("<int:pk>/pick-list.pdf", views.pick_list_as_pdf, name="pick-list-pdf"),
    path("<int:pk>/pick-list.csv", views.pick_list_as_csv, name="pick-list-csv"),
]
