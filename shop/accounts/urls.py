"""Routes under /accounts/."""

from django.urls import URLPattern, path

from shop.accounts import export_pages, period_pages, reconciliation_pages, row_pages

app_name = "accounts"
urlpatterns: list[URLPattern] = [
    path("", period_pages.periods, name="periods"),
    path("lock/", period_pages.lock, name="lock"),
    path("reopen/", period_pages.reopen, name="reopen"),
    path("reconciliation/", reconciliation_pages.reconciliation, name="reconciliation"),
    path("movements/", row_pages.movements, name="movements"),
    path("adjustments/", row_pages.adjustments, name="adjustments"),
    path("stock/", row_pages.stock, name="stock"),
    path("provisional/", row_pages.provisional, name="provisional"),
    path("late/", row_pages.late, name="late"),
    path("refused/", row_pages.refused, name="refused"),
    path("refused/<int:pk>/", row_pages.refused_one, name="refused-one"),
    path("exports/", export_pages.exports, name="exports"),
    path("exports/<str:name>.csv", export_pages.export, name="export"),
]
