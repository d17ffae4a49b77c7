"""What is the team's, recognised or made new: products, methods and instruments.

Products are known by maker, model and variant, methods by title and revision, instruments by name and
serial number. A folder that says something else of one than the team's own record is refused, since
other studies rest on that record; two folders may use one code for different things.
"""

from __future__ import annotations

from decimal import Decimal

from specimens import models as sm

from .faults import Faults, StudyError, quote
from .spec import SPEC
from .tables import Tables, date, yes


class Team:
    """The team's things that a study names, in the database.

    `products`: (maker, model, variant) -> primary key; `revisions`: (method code, revision) ->
    MethodRevision; `instruments`: code -> primary key; `updated`: instruments whose dates moved on.
    Raises StudyError where the folder and the team's record disagree.
    """

    def __init__(self, tables: Tables):
        self.tables = tables
        self.updated: list[str] = []
        faults = Faults()
        self.products = self._products()
        self.revisions = self._methods(faults)
        self.instruments = self._instruments(faults)
        if faults:
            raise StudyError(faults)

    def _products(self) -> dict[tuple, int]:
        rows = list(self.tables["products"].rows())
        wanted = {(row["maker"], row["model"], row["variant"]) for row in rows}
        found = {
            (maker, model, variant): pk
            for pk, maker, model, variant in sm.Product.objects.filter(
                maker__in={maker for maker, _, _ in wanted}
            ).values_list("pk", "maker", "model", "variant")
        }
        missing = sorted(wanted - found.keys())
        made = sm.Product.objects.bulk_create(
            [sm.Product(maker=maker, model=model, variant=variant) for maker, model, variant in missing]
        )
        return found | {key: product.pk for key, product in zip(missing, made, strict=True)}

    def _methods(self, faults: Faults) -> dict[tuple[str, str], sm.MethodRevision]:
        """(method code, revision) -> the team's revision, made where it is new."""
        table = self.tables["methods"]
        titles = set(table["title"])
        methods = {m.title: m for m in sm.Method.objects.filter(title__in=titles)}
        known = {
            (r.method_id, r.revision): r for r in sm.MethodRevision.objects.filter(method__title__in=titles)
        }
        made = {}
        for i, row in enumerate(table.rows()):
            if row["title"] not in methods:
                methods[row["title"]] = sm.Method.objects.create(title=row["title"])
            method = methods[row["title"]]
            values = {
                name: row[name]
                for name in ("standard", "relation", "departures", "cannot_show", "steps", "cautions")
            } | {"hazardous": yes(row["hazardous"])}
            revision = known.get((method.pk, row["revision"]))
            if revision is None:
                revision = sm.MethodRevision.objects.create(method=method, revision=row["revision"], **values)
            else:
                for name, value in values.items():
                    if getattr(revision, name) != value:
                        self._differs(
                            faults, "methods", i, name, row[name], f"method {row['title']} {row['revision']}",
                            getattr(revision, name), "; give what is new a revision of its own",
                        )  # fmt: skip
            made[row["method"], row["revision"]] = revision
        return made

    def _instruments(self, faults: Faults) -> dict[str, int]:
        """Instrument code -> the team's instrument. Without a serial number none is recognised."""
        table = self.tables["instruments"]
        known = {
            (i.name, i.serial): i
            for i in sm.Instrument.objects.filter(name__in=set(table["name"])).exclude(serial="")
        }
        numbers = ("range_low", "range_high", "resolution", "accuracy_pct", "accuracy_abs")
        found: dict[str, sm.Instrument] = {}
        for i, row in enumerate(table.rows()):
            dates = {"calibrated_on": date(row["calibrated_on"]), "due_on": date(row["due_on"])}
            values = {name: row[name] or None for name in numbers}
            values |= {name: row[name] for name in ("unit", "accuracy_basis")}
            instrument = known.get((row["name"], row["serial"]))
            if instrument is None:
                instrument = sm.Instrument.objects.create(
                    name=row["name"], serial=row["serial"], **values, **dates
                )
            else:
                latest = instrument.calibrated_on
                if latest and dates["calibrated_on"] == latest:
                    values["due_on"] = dates["due_on"]
                self._same(faults, "instruments", i, row, instrument, values)
                if dates["calibrated_on"] and (latest is None or dates["calibrated_on"] > latest):
                    sm.Instrument.objects.filter(pk=instrument.pk).update(**dates)
                    self.updated.append(f"{row['name']} {row['serial']}")
            found[row["instrument"]] = instrument
        self._calibrations(faults, found)
        return {code: instrument.pk for code, instrument in found.items()}

    def _calibrations(self, faults: Faults, instruments: dict[str, sm.Instrument]) -> None:
        known = {
            (c.instrument_id, c.calibrated_on): c
            for c in sm.Calibration.objects.filter(instrument__in=list(instruments.values()))
        }
        new = []
        for i, row in enumerate(self.tables["calibrations"].rows()):
            instrument, day = instruments[row["instrument"]], date(row["calibrated_on"])
            values = {name: row[name] or None for name in ("U", "k", "offset", "gain")}
            values |= {"due_on": date(row["due_on"]), "certificate": row["certificate"]}
            if calibration := known.get((instrument.pk, day)):
                self._same(faults, "calibrations", i, row, calibration, values)
            else:
                new.append(sm.Calibration(instrument=instrument, calibrated_on=day, **values))
        sm.Calibration.objects.bulk_create(new)

    def _same(self, faults: Faults, name: str, i: int, row: dict, thing, values: dict) -> None:
        """A fault for each value that the team's own record of a thing has otherwise."""
        for column, value in values.items():
            own = getattr(thing, column)
            if isinstance(own, Decimal) and value is not None:
                differ = own != Decimal(value)
            else:
                differ = (own or None) != (value or None)
            if differ:
                self._differs(faults, name, i, column, row[column], str(thing), own)

    def _differs(self, faults, name, i, column, found, what, own, then="") -> None:
        own = "nothing" if own in (None, "") else quote(str(own))
        text = f"found {quote(found or 'nothing')}, expected what the team's {what} has: {own}{then}"
        faults.add(SPEC[name].file, self.tables[name].line(i), column, text)
