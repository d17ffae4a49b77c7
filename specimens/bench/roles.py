"""Who may work at the bench, and who plans it. Roles are groups; an operator may look."""

from __future__ import annotations

BENCH, PLANNER, EDITOR = "bench", "planner", "editor"


def roles_of(user) -> frozenset[str]:
    """The role names of a user; none for one who is signed out or switched off. One query per user."""
    if user is None or not user.is_authenticated or not user.is_active:
        return frozenset()
    if not hasattr(user, "_roles"):
        user._roles = frozenset(user.groups.values_list("name", flat=True))
    return user._roles


def may_look(user) -> bool:
    return bool(roles_of(user)) or (user.is_authenticated and user.is_active and user.is_superuser)


def may_enter(user) -> bool:
    """Bench members, planners and editors enter results."""
    return bool(roles_of(user) & {BENCH, PLANNER, EDITOR})


def may_plan(user) -> bool:
    return bool(roles_of(user) & {PLANNER, EDITOR})
