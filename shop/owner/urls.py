"""Routes under /owner/."""

from django.urls import URLPattern, path

from shop.owner import job_pages, margin_pages

app_name = "owner"
urlpatterns: list[URLPattern] = [
    path("margins/", margin_pages.margins, name="margins"),
    path("margins/chart.svg", margin_pages.margins_chart, name="margins-chart"),
    path("changes/", margin_pages.changes, name="changes"),
    path("changes/chart.svg", margin_pages.changes_chart, name="changes-chart"),
    path("jobs/", job_pages.jobs, name="jobs"),
    path("jobs/<int:pk>/", job_pages.job, name="job"),
]
