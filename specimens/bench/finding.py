"""Finding what an entry names: specimens by their codes, readings by code or by the id of their entry."""

from __future__ import annotations

from uuid import UUID

from django.db import connection
from django.db.models import Q

from specimens.models import Programme, Reading, Run, Specimen, Submission

from . import codes
from .errors import NotYet, Refused
from .typed import shown


def lock(programme: Programme) -> None:
    """Hold other writers of this programme until the transaction ends; on SQLite all are held already."""
    if connection.features.has_select_for_update:
        list(Programme.objects.select_for_update(no_key=True).filter(pk=programme.pk).values_list("pk"))


def specimen(programme: Programme, text: object) -> Specimen:
    """A specimen by its blind code, or by its own code. One query. Raises Refused."""
    if not isinstance(text, str) or not text.strip() or len(text) > 80 or "\x00" in text:
        raise Refused(f"Found the specimen {shown(text)}, expected the code on its label.")
    typed, tidy = text.strip(), codes.tidy(text)
    found = list(
        Specimen.objects.filter(programme=programme)
        .filter(Q(blind_code__in={typed, tidy}) | Q(code=typed.lower()))
        .select_related("unit__product")[:3]
    )  # fmt: skip
    by_label = [one for one in found if one.blind_code in (typed, tidy)]
    if not found:
        raise Refused(codes.why_wrong(tidy))
    return (by_label or found)[0]


def entry_id(text: object) -> UUID | None:
    try:
        return UUID(text) if isinstance(text, str) and len(text) == 36 else None
    except ValueError:
        return None


def reading(programme: Programme, named: object, what: str) -> Reading:
    """A reading by its code or by the id of the entry that made it. Raises NotYet, Refused."""
    key = entry_id(named)
    rows = Reading.objects.select_related("trial", "specimen", "void", "replaced_by")
    if key is not None:
        sent = Submission.objects.filter(pk=key).first()
        if sent is None:
            raise NotYet(f"The reading that is to be {what} has not arrived yet: this is sent again by itself.")
        if sent.reading_id is None:
            raise Refused(f"The entry that is to be {what} is no stored reading: nothing was changed.")
        found = rows.filter(programme=programme, pk=sent.reading_id).first()
        if found is None:
            raise Refused(f"The reading that is to be {what} is of another programme: nothing was changed.")
        return found
    text = named if isinstance(named, str) and len(named) <= 80 and "\x00" not in named else ""
    found = rows.filter(programme=programme, code=text).first() if text else None
    if found is None:
        raise Refused(f"There is no reading {shown(named)} to be {what}.")
    return found


def head(reading: Reading) -> Reading:
    """The last of a chain of amendments. A query for each link."""
    while True:
        following = Reading.objects.filter(replaces=reading).select_related("void").first()
        if following is None:
            return reading
        reading = following


def run(runs: list[Run], named: object, at) -> tuple[Run | None, str]:
    """The run that an entry names by code or by the id of its own entry; else the one under way at `at`.

    runs: those of the trial, in the order of their start. With it a remark, "" where there is nothing to
    say: a reading that was taken after a change of rig is kept even where the new run was refused.
    """
    remark = ""
    key = entry_id(named)
    if key is not None:
        sent = Submission.objects.filter(pk=key).first()
        if sent is None:
            raise NotYet("The new run that this belongs to has not arrived yet: this is sent again by itself.")
        named = sent.answer.get("run")
        if not named:
            remark = "the new run that it was taken in was refused: tell the planner what has changed"
        elif sent.trial_id not in {one.trial_id for one in runs}:
            raise Refused("The run that was named is of another trial: load the page again.")
    if named:
        found = next((one for one in runs if one.code == named), None)
        if found is None:
            raise Refused(f"There is no run {shown(named)} of this trial: load its page again.")
        return found, ""
    begun = [one for one in runs if one.started_at is None or one.started_at <= at]
    return (begun[-1] if begun else next(iter(runs), None)), remark
