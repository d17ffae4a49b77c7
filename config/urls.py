"""Every address. Public ones are permanent."""

from django.urls import include, path

urlpatterns = [path("", include("comparisons.urls"))]
