"""Routes under /phone/."""

from django.urls import URLPattern, path

from shop.phone import pages, photo_pages

app_name = "phone"
urlpatterns: list[URLPattern] = [
    path("", pages.app, name="app"),
    path("worker.js", pages.worker, name="worker"),
    path("manifest.webmanifest", pages.manifest, name="manifest"),
    path("files/<str:version>/<str:name>", pages.file, name="file"),
    path("session/", pages.session, name="session"),
    path("bundle/", pages.bundle, name="bundle"),
    path("photos/<str:photo_id>/", photo_pages.photo, name="photo"),
]
