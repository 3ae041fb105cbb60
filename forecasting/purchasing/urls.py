"""Routes under /purchases/."""

from django.urls import URLPattern, path

from forecasting.purchasing import pages, step_pages, terms_pages

app_name = "purchases"
urlpatterns: list[URLPattern] = [
    path("", pages.index, name="list"),
    path("draft/", pages.draft, name="draft"),
    path("begin/", pages.begin, name="begin"),
    path("left-out/", pages.left_out, name="left-out"),
    path("terms/", terms_pages.terms, name="terms"),
    path("terms/<int:pk>/", terms_pages.supplier, name="supplier"),
    path("terms/<int:pk>/packs/<int:pack>/", terms_pages.pack, name="pack"),
    path("<int:pk>/", pages.show, name="show"),
    path("<int:pk>/change/", pages.change, name="change"),
    path("<int:pk>/step/", pages.step, name="step"),
    path("<int:pk>/send/", step_pages.send, name="send"),
    path("<int:pk>/cancel/", step_pages.cancel, name="cancel"),
    path("<int:pk>/receive/", step_pages.receive, name="receive"),
    path("<int:pk>/receipts/", step_pages.receipts, name="receipts"),
    path("<int:pk>/order.pdf", pages.as_pdf, name="pdf"),
    path("<int:pk>/order.csv", pages.as_csv, name="csv"),
]
