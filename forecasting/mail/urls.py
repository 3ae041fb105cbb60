"""Routes under /letters/."""

from django.urls import URLPattern, path

from forecasting.mail import pages

app_name = "letters"
urlpatterns: list[URLPattern] = [
    path("", pages.index, name="list"),
    path("settings/", pages.settings, name="settings"),
    path("<int:pk>/", pages.show, name="show"),
    path("<int:pk>/again/", pages.again, name="again"),
    path("<int:pk>/source/", pages.source, name="source"),
    path("<int:pk>/attachments/<int:number>/", pages.attachment, name="attachment"),
]
