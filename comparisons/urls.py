"""Addresses of the public pages, the desk and the API. Public ones are permanent."""

from django.contrib.auth.views import LoginView, LogoutView
from django.urls import path
from django.views.decorators.cache import never_cache

from .views import api, desk, public

_EDITION = "c/<slug:slug>/editions/<int:number>/"

urlpatterns = [
    path("", public.front, name="front"),
    path("c/<slug:slug>/", public.comparison, name="comparison"),
    path(_EDITION, public.comparison, name="edition"),
    path(f"{_EDITION}study.zip", public.edition_data, name="edition-data"),
    path(f"{_EDITION}results.json", public.edition_results, name="edition-results"),
    path(f"{_EDITION}charts/<str:name>.json", public.edition_chart, name="edition-chart"),
    path(f"{_EDITION}weights/", public.weights, name="edition-weights"),
    path(f"{_EDITION}files/<path:path>", public.edition_file, name="edition-file"),
    path("health/", public.health, name="health"),
    path("robots.txt", public.robots, name="robots"),
    path(
        "sign-in/",
        never_cache(LoginView.as_view(template_name="registration/sign_in.html", redirect_authenticated_user=True)),
        name="sign-in",
    ),
    path("sign-out/", LogoutView.as_view(), name="sign-out"),
    path("desk/", desk.desk, name="desk"),
    path("desk/<slug:slug>/", desk.comparison, name="desk-comparison"),
    path("desk/<slug:slug>/scorecard/", desk.scorecard, name="desk-scorecard"),
    path("desk/<slug:slug>/state/", desk.state, name="desk-state"),
    path("desk/<slug:slug>/charts/<str:name>.json", desk.chart, name="desk-chart"),
    path("desk/<slug:slug>/evaluate/", desk.evaluate, name="desk-evaluate"),
    path("desk/<slug:slug>/ask/", desk.ask, name="desk-ask"),
    path("desk/<slug:slug>/decide/", desk.decide, name="desk-decide"),
    path("api/comparisons/", api.Published.as_view(), name="api-comparisons"),
    path("api/comparisons/<slug:slug>/results/", api.Results.as_view(), name="api-results"),
    path("api/comparisons/<slug:slug>/draft/", api.DraftResults.as_view(), name="api-draft"),
]
