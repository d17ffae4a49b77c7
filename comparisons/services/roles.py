"""Who may do what. Roles are groups; an operator runs the server and judges nothing by that."""

from __future__ import annotations

from .errors import NotAllowed

BENCH, PLANNER, EDITOR = "bench", "planner", "editor"


def roles_of(user) -> frozenset[str]:
    """The role names of a user; none for one who is signed out or switched off. One query per user."""
    if user is None or not user.is_authenticated or not user.is_active:
        return frozenset()
    if not hasattr(user, "_roles"):
        user._roles = frozenset(user.groups.values_list("name", flat=True))
    return user._roles


def is_editor(user) -> bool:
    return EDITOR in roles_of(user)


def can_prepare(user) -> bool:
    """Planners and editors prepare: they change the draft, ask for evaluations and for approval."""
    return bool(roles_of(user) & {PLANNER, EDITOR})


def role_name(user) -> str:
    """The role that a published page names in the place of a person."""
    roles = roles_of(user)
    return next((role for role in (EDITOR, PLANNER, BENCH) if role in roles), "team member")


def require_editor(user, to_do: str) -> None:
    if not is_editor(user):
        raise NotAllowed(f"Only an editor can {to_do}: ask one of your editors.")


def require_preparer(user, to_do: str) -> None:
    if not can_prepare(user):
        raise NotAllowed(f"Only a planner or an editor can {to_do}: ask one of them.")
