"""Routes under /phone/."""

from django.urls import URLPattern, path

from shop.phone import photo_views, views

app_name = "phone"
urlpatterns: list[URLPattern] = [
    path("", views.app, name="app"),
    path("worker.js", views.worker, name="worker"),
    path("manifest.webmanifest", views.manifest, name="manifest"),
    path("files/<str:version>/<str:name>", views.file, name="file"),
    path("session/", views.session, name="session"),
    path("bundle/", views.bundle, name="bundle"),
    path("standing-close/", views.standing_close, name="standing-close"),
    path("photos/<str:photo_id>/", photo_views.photo, name="photo"),
]
