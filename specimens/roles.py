"""Who may do what. Roles are groups; an operator runs the server, may look, and judges nothing by that."""

from __future__ import annotations

from django.contrib.auth.models import Group

from .bench.statements import Statement

ROLES = Statement(lambda user: Group.objects.filter(user=user).order_by().values_list("name"), user=int)
BENCH, PLANNER, EDITOR = "bench", "planner", "editor"


def roles_of(user) -> frozenset[str]:
    """The role names of a user; none for one who is signed out or switched off. One query per user."""
    if user is None or not user.is_authenticated or not user.is_active:
        return frozenset()
    if not hasattr(user, "_roles"):
        user._roles = frozenset(name for (name,) in ROLES.rows(user=user.pk))
    return user._roles


def may_look(user) -> bool:
    """Every member of the team, and an operator, see the pages that are not public."""
    return bool(roles_of(user)) or (user.is_authenticated and user.is_active and user.is_superuser)


def may_enter(user) -> bool:
    """Bench members, planners and editors enter results."""
    return bool(roles_of(user) & {BENCH, PLANNER, EDITOR})


def may_plan(user) -> bool:
    """Planners and editors prepare: they plan, settle and change what a draft is made of."""
    return bool(roles_of(user) & {PLANNER, EDITOR})
