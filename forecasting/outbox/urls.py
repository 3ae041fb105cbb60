"""Routes under /letters/."""

from django.urls import URLPattern, path

from forecasting.outbox import views

app_name = "letters"
urlpatterns: list[URLPattern] = [
    path("", views.index, name="list"),
    path("settings/", views.settings, name="settings"),
    path("<int:pk>/", views.show, name="show"),
    path("<int:pk>/again/", views.again, name="again"),
    path("<int:pk>/source/", views.source, name="source"),
    path("<int:pk>/attachments/<int:number>/", views.attachment, name="attachment"),
]
