"""Every address. Public ones are permanent."""

from django.urls import include, path

urlpatterns = [path("", include("specimens.urls")), path("", include("comparisons.urls"))]
