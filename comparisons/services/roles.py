"""Who may judge and publish: the desk's questions to the team's roles, which are kept in one place for all."""

from __future__ import annotations

from specimens.roles import BENCH, EDITOR, PLANNER, may_plan, roles_of

from .errors import NotAllowed


def is_editor(user) -> bool:
    return EDITOR in roles_of(user)


def can_prepare(user) -> bool:
    """Planners and editors prepare: they change the draft, ask for evaluations and for approval."""
    return may_plan(user)


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
