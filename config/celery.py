"""Celery, used when REDIS_URL is set. It carries job ids; the job table holds the truth."""

import os

from celery import Celery

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

app = Celery("evenhand")
app.config_from_object("config.celery_settings")
app.autodiscover_tasks(["comparisons"])
