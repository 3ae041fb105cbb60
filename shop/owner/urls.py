"""Routes under /owner/."""

from django.urls import URLPattern, path

from shop.owner import (
    consumption_pages,
    job_pages,
    margin_pages,
    mending_pages,
    question_pages,
    rate_pages,
    settings_pages,
)

app_name = "owner"
urlpatterns: list[URLPattern] = [
    path("margins/", margin_pages.margins, name="margins"),
    path("margins/chart.svg", margin_pages.margins_chart, name="margins-chart"),
    path("changes/", margin_pages.changes, name="changes"),
    path("changes/chart.svg", margin_pages.changes_chart, name="changes-chart"),
    path("jobs/", job_pages.jobs, name="jobs"),
    path("jobs/<int:pk>/", job_pages.job, name="job"),
    path("losses/", mending_pages.mending, name="mending"),
    path("consumption/", consumption_pages.consumption, name="consumption"),
    path("missing/", consumption_pages.missing, name="missing"),
    path("missing/chart.svg", consumption_pages.missing_chart, name="missing-chart"),
    path("missing/counts/", consumption_pages.missing_counts, name="missing-counts"),
    path("questions/", question_pages.questions, name="questions"),
    path("questions/<int:pk>/", question_pages.question, name="question"),
    path("rates/", rate_pages.rates, name="rates"),
    path("rates/labour/", rate_pages.set_labour_rate, name="labour-rate"),
    path("rates/overhead/", rate_pages.set_overhead_rate, name="overhead-rate"),
    path("settings/", settings_pages.settings, name="settings"),
]
