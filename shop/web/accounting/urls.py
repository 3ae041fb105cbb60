"""Routes under /accounts/."""

from django.urls import URLPattern, path

from shop.web.accounting import drilldown_views, export_views, period_views, reconciliation_views

app_name = "accounts"
urlpatterns: list[URLPattern] = [
    path("", period_views.periods, name="periods"),
    path("lock/", period_views.lock, name="lock"),
    path("reopen/", period_views.reopen, name="reopen"),
    path("reconciliation/", reconciliation_views.reconciliation, name="reconciliation"),
    path("movements/", drilldown_views.movements, name="movements"),
    path("adjustments/", drilldown_views.adjustments, name="adjustments"),
    path("stock/", drilldown_views.stock, name="stock"),
    path("provisional/", drilldown_views.provisional, name="provisional"),
    path("late/", drilldown_views.late, name="late"),
    path("refused/", drilldown_views.refused, name="refused"),
    path("refused/<int:pk>/", drilldown_views.refused_one, name="refused-one"),
    path("exports/", export_views.exports, name="exports"),
    path("exports/<str:name>.csv", export_views.export, name="export"),
]
