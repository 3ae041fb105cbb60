"""The Celery application of a deployment with REDIS_URL.

Any number of `celery --app shop.config.celery worker`, and `celery --app shop.config.celery beat`; a second
beat does no harm.
"""

import os

from celery import Celery

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shop.config.settings")

app = Celery("slurrybook")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks(["forecasting.scheduler"])
