"""Addresses of the bench. What tablets keep (pages, entries, codes on labels) is permanent."""

from django.urls import path

from .views import bench, conditioning, planning, progress, traces

_TRIAL = "<slug:programme>/<str:code>/"

urlpatterns = [
    path("bench/", bench.trials, name="bench"),
    path("bench/me.json", bench.me, name="bench-me"),
    path(f"bench/trials/{_TRIAL}", bench.trial, name="bench-trial"),
    path(f"bench/trials/{_TRIAL}pack.json", bench.pack_json, name="bench-pack"),
    path("bench/s/<str:code>/", bench.scanned, name="bench-scan"),
    path("bench/submit/", bench.submit, name="bench-submit"),
    path("bench/files/<int:key>/", bench.picture, name="bench-file"),
    path("bench/sw.js", bench.worker, name="bench-worker"),
    path("bench/manifest.webmanifest", bench.manifest, name="bench-manifest"),
    path(f"bench/plan/{_TRIAL}", planning.plan, name="bench-plan"),
    path(f"bench/plan/{_TRIAL}run/", planning.new_run, name="bench-run"),
    path(f"bench/plan/{_TRIAL}more/", planning.more, name="bench-more"),
    path(f"bench/plan/{_TRIAL}rater/", planning.new_rater, name="bench-rater"),
    path(f"bench/plan/{_TRIAL}anchor/", planning.new_anchor, name="bench-anchor"),
    path(f"bench/plan/{_TRIAL}conflict/", planning.settle, name="bench-conflict"),
    path(f"bench/plan/{_TRIAL}labels/", planning.labels, name="bench-labels"),
    path(f"bench/plan/{_TRIAL}sheet/", planning.sheet, name="bench-sheet"),
    path("bench/cut/<slug:programme>/", planning.cut, name="bench-cut"),
    path("bench/conditioning/", conditioning.board, name="bench-conditioning"),
    path("bench/conditioning/start/", conditioning.start, name="bench-exposure-start"),
    path("bench/conditioning/end/", conditioning.end, name="bench-exposure-end"),
    path("bench/conditioning/correct/", conditioning.correct, name="bench-exposure-correct"),
    path("bench/conditioning/past/", conditioning.past, name="bench-conditioning-past"),
    path("bench/conditioning/log/", conditioning.log, name="bench-chamber-log"),
    path("bench/conditioning.ics", conditioning.calendar, name="bench-calendar"),
    path("bench/progress/<slug:programme>/", progress.progress, name="bench-progress"),
    path("bench/progress/<slug:programme>/part/", progress.part, name="bench-progress-part"),
    path(f"bench/traces/{_TRIAL}", traces.upload, name="bench-traces"),
    path(f"bench/traces/{_TRIAL}<int:key>/", traces.curve, name="bench-trace"),
    path(f"bench/traces/{_TRIAL}<int:key>/chart.json", traces.chart, name="bench-trace-chart"),
]
