"""Routes under /owner/."""

from django.urls import URLPattern, path

from shop.web.owner import (
    consumption_views,
    job_views,
    margin_views,
    question_views,
    rate_views,
    settings_views,
    target_pricing_views,
)

app_name = "owner"
urlpatterns: list[URLPattern] = [
    path("margins/", margin_views.margins, name="margins"),
    path("margins/chart.svg", margin_views.margins_chart, name="margins-chart"),
    path("changes/", margin_views.changes, name="changes"),
    path("changes/chart.svg", margin_views.changes_chart, name="changes-chart"),
    path("jobs/", job_views.jobs, name="jobs"),
    path("jobs/<int:pk>/", job_views.job, name="job"),
    path("losses/", target_pricing_views.target_prices, name="target-prices"),
    path("consumption/", consumption_views.consumption, name="consumption"),
    path("missing/", consumption_views.missing, name="missing"),
    path("missing/chart.svg", consumption_views.missing_chart, name="missing-chart"),
    path("missing/counts/", consumption_views.missing_counts, name="missing-counts"),
    path("questions/", question_views.questions, name="questions"),
    path("questions/<int:pk>/", question_views.question, name="question"),
    path("rates/", rate_views.rates, name="rates"),
    path("rates/labour/", rate_views.set_labour_rate, name="labour-rate"),
    path("rates/overhead/", rate_views.set_overhead_rate, name="overhead-rate"),
    path("settings/", settings_views.settings, name="settings"),
]
