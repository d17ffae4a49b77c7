"""A cast of people, and comparisons brought to where a test needs them."""

from __future__ import annotations

from django.contrib.auth.models import Group, User

from comparisons import jobs
from comparisons.models import Comparison, Edition
from comparisons.services import approval, evaluation
from tests.public.small_study import import_small
from tests.settling import settle

PASSWORD = "a long enough word"
ROLES = {
    "bench-member": ["bench"], "planner": ["planner"], "editor": ["editor"], "second-editor": ["editor"],
    "stranger": [],
}  # fmt: skip


def make_cast(password: str | None = None) -> dict[str, User]:
    """One account for each role, an operator, and one account without any role; by default none can sign in."""
    people = {}
    for name, groups in ROLES.items():
        people[name] = User.objects.create_user(name, password=password)
        # A transactional test before this one has flushed the groups that a migration makes.
        people[name].groups.set([Group.objects.get_or_create(name=group)[0] for group in groups])
    people["operator"] = User.objects.create_superuser("operator", password=password)
    return people


def evaluated(slug: str = "strings", **size) -> Comparison:
    """A small comparison with results of its draft."""
    comparison = import_small(slug, **size)
    evaluation.run_evaluation(comparison)
    return comparison


def publish(comparison: Comparison, cast: dict[str, User]) -> Edition:
    """Evaluate, explain what is open, ask, approve and publish the draft as it stands."""
    settle(comparison, cast["planner"])
    request = approval.ask(comparison, actor=cast["planner"])
    approval.decide(request, actor=cast["editor"], verdict="approved")
    ended = jobs.drain()
    assert {job.status for job in ended} == {"done"}, [job.error for job in ended]
    return comparison.editions.first()


def published(cast: dict[str, User], slug: str = "strings", **size) -> Edition:
    """A small comparison with its first edition."""
    return publish(import_small(slug, **size), cast)
