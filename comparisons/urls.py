"""Addresses of the public pages, the desk and the API. Public ones are permanent."""

from django.urls import path

from .views import public

urlpatterns = [
    path("", public.front, name="front"),
    path("c/<slug:slug>/", public.comparison, name="comparison"),
    path("c/<slug:slug>/editions/<int:number>/", public.comparison, name="edition"),
    path("c/<slug:slug>/editions/<int:number>/study.zip", public.edition_data, name="edition-data"),
    path("c/<slug:slug>/editions/<int:number>/results.json", public.edition_results, name="edition-results"),
    path("c/<slug:slug>/editions/<int:number>/charts/<str:name>.json", public.edition_chart, name="edition-chart"),
    path("c/<slug:slug>/editions/<int:number>/files/<path:path>", public.edition_file, name="edition-file"),
    path("health/", public.health, name="health"),
    path("robots.txt", public.robots, name="robots"),
    path("desk/", public.health, name="desk"),
]
