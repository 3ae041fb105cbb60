"""Routes under /purchases/."""

from django.urls import URLPattern, path

from forecasting.purchasing import step_views, supplier_terms_views, views

app_name = "purchases"
urlpatterns: list[URLPattern] = [
    path("", views.index, name="list"),
    path("draft/", views.draft, name="draft"),
    path("begin/", views.begin, name="begin"),
    path("left-out/", views.left_out, name="left-out"),
    path("terms/", supplier_terms_views.terms, name="terms"),
    path("terms/<int:pk>/", supplier_terms_views.supplier, name="supplier"),
    path("terms/<int:pk>/packs/<int:pack>/", supplier_terms_views.pack, name="pack"),
    path("<int:pk>/", views.show, name="show"),
    path("<int:pk>/change/", views.change, name="change"),
    path("<int:pk>/step/", views.step, name="step"),
    path("<int:pk>/send/", step_views.send, name="send"),
    path("<int:pk>/cancel/", step_views.cancel, name="cancel"),
    path("<int:pk>/receive/", step_views.receive, name="receive"),
    path("<int:pk>/receipts/", step_views.receipts, name="receipts"),
    path("<int:pk>/order.pdf", views.as_pdf, name="pdf"),
    path("<int:pk>/order.csv", views.as_csv, name="csv"),
]
