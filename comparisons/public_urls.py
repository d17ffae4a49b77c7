"""Addresses of the public pages beside the comparison's own. Permanent. `code` is registered in `urls`."""

from django.contrib.sitemaps.views import sitemap
from django.urls import path
from django.views.decorators.http import require_safe

from .views import public_feeds, public_pages, public_pictures, reports

_COMPARISON = "c/<slug:slug>/"
_EDITION = f"{_COMPARISON}editions/<int:number>/"

urlpatterns = [
    path("", public_feeds.front, name="front"),
    path("kinds/<str:kind>/", public_feeds.front, name="kind"),
    path("search/", public_feeds.search, name="search"),
    path("feed/", public_feeds.feed, name="feed"),
    path("sitemap.xml", require_safe(sitemap), {"sitemaps": {"published": public_feeds.Published}}, name="sitemap"),
    path(f"{_COMPARISON}products/<code:product>/", public_pages.product, name="product"),
    path(f"{_EDITION}products/<code:product>/", public_pages.product, name="edition-product"),
    path(f"{_COMPARISON}side-by-side/", public_pages.beside, name="side-by-side"),
    path(f"{_EDITION}side-by-side/", public_pages.beside, name="edition-side-by-side"),
    path(f"{_COMPARISON}methods/<code:method>/", public_pages.method, name="method"),
    path(f"{_EDITION}methods/<code:method>/", public_pages.method, name="edition-method"),
    path(f"{_COMPARISON}data/", public_pages.data, name="data"),
    path(f"{_EDITION}data/", public_pages.data, name="edition-data-page"),
    path(f"{_COMPARISON}editions/", public_pages.editions, name="editions"),
    path(f"{_COMPARISON}embed/", public_pages.embed, name="embed"),
    path(f"{_EDITION}page.json", public_pages.edition_page, name="edition-page"),
    path(f"{_EDITION}tables/<slug:table>.csv", public_pages.edition_table, name="edition-table"),
    path(f"{_EDITION}report.pdf", reports.report, name="edition-report"),
    path(f"{_EDITION}ranking.png", public_pictures.ranking, name="edition-picture"),
]
