"""Pages of the desk at 50 products by 30 trials by 10 specimens, beside bare template views in one run.

Yardsticks, signed in and through the same middleware: a template with the desk's frame and nothing in it; that
frame with a table of a hundred rows of eleven cells, as a trial shows; and for each page that frame with as many
bytes as the page has, ready made, since a large page is compressed for as long as it takes to make a small one.
"""

from __future__ import annotations

import time

import numpy as np

PRODUCTS, TRIALS, UNITS, PER_UNIT = 50, 30, 5, 2
ROUNDS, GOAL, READY = 15, 5, 1000
BARE = """{% extends "desk/base.html" %}{% block main %}<h1>Bare</h1>{% if rows %}<table>{% for row in rows %}<tr>
{% for cell in row %}<td>{{ cell }}</td>{% endfor %}</tr>{% endfor %}</table>{% endif %}{{ ready }}{% endblock %}"""
PAGES = (
    "/desk/", "/desk/large/", "/desk/large/results/", "/desk/large/results/t07/",
    "/desk/large/results/t07/?sort=-value&unit=p07-u1", "/desk/large/judged/", "/desk/large/changes/",
    "/desk/large/record/", "/desk/search/?q=p07-u1",
)  # fmt: skip


def a_study():
    """Invented tables: every product in every trial, with two claims each, trials 10 to 19 against 0 to 9."""
    from comparisons.folder.tables import Tables
    from tests.public.small_study import table

    rng = np.random.default_rng(4)
    codes = [f"p{i:02d}" for i in range(PRODUCTS)]
    units = [(p, f"{p}-u{u}") for p in codes for u in range(UNITS)]
    specimens = [(p, u, f"{u}-s{s}") for p, u in units for s in range(PER_UNIT)]
    trials = [f"t{i:02d}" for i in range(TRIALS)]
    readings = [
        {"reading": f"r{i:02d}{j:04d}", "trial": t, "product": p, "specimen": s, "operator": f"op-{j % 4}",
         "value": f"{50 + int(p[1:]) / 2 + rng.normal(0, 1.5):.2f}", "unit_of_measure": "N", "instrument": "gauge",
         "order": str(j + 1), "taken_at": f"2026-01-{1 + i:02d}T10:00:00Z"}
        for i, t in enumerate(trials) for j, (p, _, s) in enumerate(specimens)
    ]  # fmt: skip
    tables = {
        "products": table("products", [{"product": p, "maker": "Ullvane", "model": p} for p in codes]),
        "units": table("units", [{"unit": u, "product": p} for p, u in units]),
        "specimens": table("specimens", [{"specimen": s, "unit": u} for _, u, s in specimens]),
        "properties": table("properties", [
            {"property": f"f{i:02d}", "name": f"Force {i}", "reading": "quantity", "unit": "N", "better": "more",
             "decimals": "1"} for i in range(TRIALS)
        ]),
        "conditions": table("conditions", [{"condition": "heat", "name": "Aged 24 h at 70 degC"}]),
        "trials": table("trials", [
            {"trial": t, "property": f"f{i % 10 if 10 <= i < 20 else i:02d}",
             "condition": "heat" if 10 <= i < 20 else "",
             "baseline": f"t{i - 10:02d}" if 10 <= i < 20 else ""} for i, t in enumerate(trials)
        ]),
        "instruments": table("instruments", [
            {"instrument": "gauge", "name": "Gauge, 200 N", "unit": "N", "range_low": "1", "range_high": "200",
             "resolution": "0.01", "accuracy_pct": "0.2", "accuracy_basis": "reading"},
        ]),
        "claims": table("claims", [
            {"claim": f"{p}-{f}", "product": p, "property": f, "sense": "at_least", "value": "55", "unit": "N",
             "source": "package", "wording": "min. 55 N"} for p in codes for f in ("f00", "f01")
        ]),
        "readings": table("readings", readings),
    }  # fmt: skip
    comparison = {"slug": "large", "title": "Large", "question": "Which?", "currency": "EUR", "seed": 1}
    return Tables(tables, comparison, "# Large\n\nAll of them.")


def run() -> None:
    """Prints the median answer of each page, its first answer with nothing kept, and its ratio to the yardsticks."""
    from django.conf import settings
    from django.contrib.auth.models import Group, User
    from django.test import Client
    from django.urls import path

    from comparisons.folder.importer import import_tables
    from comparisons.management.static import collect_if_needed
    from comparisons.services import evaluation

    collect_if_needed()
    comparison, _ = import_tables(a_study())
    evaluation.run_evaluation(comparison)
    from config import urls as root

    # the record as the bench leaves it: an event for each reading
    _events(comparison)
    ready: list[str] = []
    root.urlpatterns.append(path("bare/<int:n>/", _bare(ready)))
    user = User.objects.create_user("desk-reader")
    user.groups.add(Group.objects.get(name="planner"))
    client = Client(SERVER_NAME="localhost")
    client.force_login(user, backend="django.contrib.auth.backends.ModelBackend")
    settings.ALLOWED_HOSTS = ["localhost"]
    size = f"{PRODUCTS} products, {TRIALS} trials, {UNITS * PER_UNIT} specimens"
    print(f"{size}; processor time of the answer, median of {ROUNDS}")
    names = ("/bare/0/", "/bare/100/", *PAGES)
    first = {name: _ms(client, name) for name in names}
    for name in PAGES:
        ready.append(client.get(name).content.decode().split("<main", 1)[1])
    same = {name: f"/bare/{READY + i}/" for i, name in enumerate(PAGES)}
    names += tuple(same.values())
    times = {name: [] for name in names}
    for _ in range(ROUNDS):  # in turns, so that what else the machine does strikes all alike
        for name in names:
            times[name].append(_ms(client, name))
    frame, table = (float(np.median(times[name])) for name in names[:2])
    print(f"a bare frame: {frame:.1f} ms; a bare table of 100 rows by 11 cells: {table:.1f} ms")
    for name in PAGES:
        middle, bare = float(np.median(times[name])), float(np.median(times[same[name]]))
        print(
            f"{name}: {middle:.1f} ms, {len(ready[PAGES.index(name)]) / 1000:.0f} kB, {middle / bare:.1f} times a "
            f"template of that size (goal: under {GOAL}), {middle / frame:.1f} times the frame, "
            f"{middle / table:.1f} times the table; the first answer {first[name]:.0f} ms"
        )


def _events(comparison) -> None:
    from comparisons.models import Event

    programme = comparison.programmes.get()
    Event.objects.bulk_create([
        Event(actor_name=f"op-{i % 4}", verb="entered a reading", programme=programme, thing="reading",
              code=f"r{i:06d}", after={"value": str(i), "unit": "N"}, changes_draft=False)
        for i in range(PRODUCTS * TRIALS * UNITS * PER_UNIT)
    ], batch_size=500)  # fmt: skip


def _bare(ready: list[str]):
    from django.contrib.auth.decorators import login_required
    from django.http import HttpResponse
    from django.template import engines
    from django.utils.safestring import mark_safe

    template = engines["django"].from_string(BARE)
    cells = [[f"cell {i} {j}" for j in range(11)] for i in range(100)]

    @login_required
    def view(request, n: int):
        if n >= READY:
            return HttpResponse(template.render({"ready": mark_safe(ready[n - READY])}, request))
        return HttpResponse(template.render({"rows": cells[:n]}, request))

    return view


def _ms(client, path: str) -> float:
    start = time.process_time()
    answer = client.get(path, headers={"accept-encoding": "gzip"})
    took = (time.process_time() - start) * 1000
    assert answer.status_code == 200, (path, answer.status_code)
    return took
