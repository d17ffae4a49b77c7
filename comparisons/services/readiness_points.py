"""What a study's tables and its results document leave open before publication. No database is read."""

from __future__ import annotations

import hashlib
import re
from collections import defaultdict
from dataclasses import dataclass

from django.urls import reverse

from comparisons.folder.tables import Tables, time, whole, yes
from comparisons.pages import background, words
from comparisons.pages.names import Names
from comparisons.pages.numbers import with_unit, write

LONGEST_CODE = 200  # of a Limitation's point


@dataclass(frozen=True)
class Point:
    """One thing to settle. kind: a key of `readiness.GROUPS`; link: where it is settled.

    stops: no reason lets it pass. asks: it has to be settled or explained; else it is only pointed out. reason:
    what was written for it, "" where nothing holds; earlier: a reason for what the point said before it changed.
    """

    code: str
    kind: str
    text: str
    link: str
    stops: bool
    reason: str = ""
    asks: bool = True
    earlier: str = ""

    @property
    def takes_reason(self) -> bool:
        return self.asks and not self.stops

    @property
    def open(self) -> bool:
        return self.stops or (self.asks and not self.reason)


def code_of(*parts: str) -> str:
    """The code of a point: its parts joined by dots; a long one is cut and told apart by a digest."""
    code = ".".join(parts)
    if len(code) <= LONGEST_CODE:
        return code
    return f"{code[: LONGEST_CODE - 17]}.{hashlib.sha256(code.encode()).hexdigest()[:16]}"


def points_of_study(slug: str, tables: Tables, document: dict | None) -> list[Point]:
    """The points of a study: of its plan and article, and with a document those of its results.

    tables: in the form whose texts may be shown. document: the results document, None where there is none yet.
    """
    study = _Study(slug, tables, document or {})
    found = [*study.plan(), *study.hazards(), *study.gauges()]
    if document:
        found += [*study.trials(), *study.suspects(), *study.scores(), *study.article()]
    return found


_TEXTS = {  # what the plan should say, and what is missing where it does not
    "market_scan": "The plan does not say what else is on the market and was left out.",
    "inclusion": "The plan does not say by which rule products were chosen.",
    "characteristics": "The plan does not say what matters to buyers, and why some of it is not tested.",
    "funding": "The plan does not say who paid, who supplied, and how the team earns.",
    "tie_rule": "The plan does not say what happens where products are not shown to differ.",
}
# Words of methods and conditions that speak of hazardous work, where nobody has marked it as such.
_HAZARDS = re.compile(
    r"\b(flame|torch|burner|fire|solvents?|acetone|xylene|toluene|petrol|gasoline|acid|lye|mains voltage|high voltage|"
    r"dielectric|oven|furnace|liquid nitrogen|pressuri[sz]ed)\b",
    re.I,
)
_HOT, _COLD = 60.0, -20.0  # °C: skin burns, or freezes, on touching (common practice, no source)


def _small(name: str) -> str:
    """A name inside a sentence: its first letter small, unless it is a name or an abbreviation."""
    return name if name[1:2].isupper() else name[:1].lower() + name[1:]


class _Study:
    def __init__(self, slug: str, tables: Tables, document: dict):
        self.slug, self.tables, self.document = slug, tables, document
        self.names = Names(tables)

    def at(self, page: str, *args: str) -> str:
        return reverse(page, args=[self.slug, *args])

    def _by_trial(self, rows, wanted) -> dict[str, list[str]]:
        """trial -> the products of those rows that are wanted, by name."""
        found: dict[str, list[str]] = defaultdict(list)
        for row in rows:
            if wanted(row):
                found[row["trial"]].append(self.names.product(row["product"]))
        return {trial: sorted(set(products)) for trial, products in found.items()}

    # -- plan --

    def plan(self):
        toml, link = self.tables.comparison, self.at("desk-plan")
        plan = toml.get("plan", {})
        first = min((t for t in self.tables["readings"]["taken_at"] if t), default="", key=time)
        if not plan.get("frozen_at"):
            yield Point("plan.not-frozen", "plan", "The plan was never frozen.", link, stops=False)
        elif first and time(plan["frozen_at"]) > time(first):
            text = (f"The plan was frozen on {words.day(plan['frozen_at'])}, after the first reading of "
                    f"{words.day(first)}.")  # fmt: skip
            yield Point("plan.frozen-late", "plan", text, link, stops=False)
        for name, text in _TEXTS.items():
            if name == "market_scan" and len(self.tables["left_out"]):
                continue
            if not str(plan.get(name, "")).strip():
                yield Point(f"plan.{name.replace('_', '-')}", "plan", text, link, stops=False)
        bare = [row["what"] for row in self.tables["deviations"].rows() if not row["why"].strip()]
        if bare:
            text = f"Changes of the plan without a reason: {'; '.join(bare)}."
            yield Point("plan.deviations", "plan", text, link, stops=False)

    def hazards(self):
        """Hazardous methods without cautions, and methods that look hazardous and are not marked."""
        link = self.at("desk-plan")
        used = {self.names.method_of(trial) for trial in self.names.trials}
        hot = {self.names.method_of(trial): said for trial in self.names.trials if (said := self._extreme(trial))}
        for (code, revision), row in sorted(self.names.methods.items()):
            name = f"{row['title']}, revision {revision}"
            if yes(row["hazardous"]):
                if not row["cautions"].strip():
                    text = f"The method {name} is hazardous and has no cautions."
                    yield Point(code_of("cautions", code, revision), "bench", text, link, stops=True)
                continue
            if (code, revision) not in used:
                continue
            texts = " ".join(row[column] for column in ("title", "steps", "departures", "cautions"))
            spoken = sorted({match.group().lower() for match in _HAZARDS.finditer(texts)})
            reasons = [f"it speaks of {words.listed(spoken)}"] if spoken else []
            reasons += [hot[code, revision]] if (code, revision) in hot else []
            if reasons:
                text = f"The method {name} is not marked as hazardous, and {words.listed(reasons)}."
                yield Point(code_of("hazard", code, revision), "bench", text, link, stops=False)

    def _extreme(self, trial: str) -> str:
        from specimens import units

        row = self.names.conditions.get(self.names.trials[trial]["condition"] or "", {})
        if not row.get("temperature"):
            return ""
        degrees = float(units.convert(row["temperature"], row["temperature_unit"], "degC"))
        if _COLD < degrees < _HOT:
            return ""
        return f"specimens come from {with_unit(row['temperature'], row['temperature_unit'])}"

    # -- gauges --

    def gauges(self):
        names, link = self.names, reverse("desk-instruments")
        for row in background.overdue(names):
            gauge = names.instruments.get(row["instrument"], {"name": row["instrument"]})
            text = (f"{gauge['name']} was due for calibration on {words.day(row['due'])} and was read on "
                    f"{words.day(row['day'])}.")  # fmt: skip
            yield Point(code_of("overdue", row["instrument"]), "gauges", text, link, stops=False)
        calibrated = set(self.tables["calibrations"]["instrument"])
        readings = self.tables["readings"]
        kinds = {trial: names.properties.get(row["property"], {}).get("reading") for trial, row in names.trials.items()}
        used = {
            gauge for gauge, trial in zip(readings["instrument"], readings["trial"], strict=True)
            if gauge and kinds.get(trial) == "quantity"
        }  # fmt: skip
        for code in sorted(used):
            row = names.instruments.get(code, {})
            if code not in calibrated and not row.get("calibrated_on"):
                text = f"No calibration of {row.get('name', code)} is written down."
                yield Point(code_of("uncalibrated", code), "gauges", text, link, stops=False)

    # -- trials --

    def trials(self):
        document, names = self.document, self.names
        cells = [*(document.get("summaries") or []), *(document.get("pass_fail") or [])]

        def at(trial: str) -> str:
            return self.at("desk-trial", trial)

        unfinished = self._by_trial(cells, lambda row: "unfinished" in (row.get("flags") or []))
        for trial, products in unfinished.items():
            text = f"{names.trial(trial)}: not measured, and no reason given: {words.listed(products)}."
            yield Point(code_of("unfinished", trial), "bench", text, at(trial), stops=False)
        none = self._by_trial(cells, lambda row: "none_counts" in (row.get("flags") or []))
        for trial, products in none.items():
            text = f"{names.trial(trial)}: measured, and no reading counts: {words.listed(products)}."
            yield Point(code_of("none-counts", trial), "bench", text, at(trial), stops=False)
        yield from self._short(cells)
        yield from self._one_unit(cells)
        unknown = self._by_trial(cells, lambda row: row["n"] and "units_unknown" in (row.get("flags") or []))
        for trial, products in unknown.items():
            text = f"{names.trial(trial)}: nobody wrote down which units were measured of {words.listed(products)}."
            yield Point(code_of("units-unknown", trial), "bench", text, at(trial), stops=False)
        for row in document.get("ratings") or []:
            if row["raters"] == 1:
                text = f"{names.trial(row['trial'])}: rated by one person alone, which is an opinion."
                yield Point(code_of("one-rater", row["trial"]), "bench", text, at(row["trial"]), stops=False)
        apart: dict[str, list[str]] = defaultdict(list)
        for note in document.get("notes") or []:
            if note["level"] == "warning" and note["where"] in names.trials and "not pooled" in note["text"]:
                apart[note["where"]].append(note["text"])
        for trial, texts in apart.items():
            text = f"{names.trial(trial)}: {'; '.join(names.said(text) for text in texts)}."
            yield Point(code_of("runs", trial), "bench", text, at(trial), stops=False)

    def _short(self, cells):
        """Products of which fewer specimens count than were planned."""
        short: dict[str, list[str]] = defaultdict(list)
        for row in cells:
            trial = self.names.trials.get(row["trial"], {})
            planned = (whole(trial.get("units_planned", "")) or 0) * (whole(trial.get("replicates", "")) or 0)
            if row["n"] and not row.get("absence") and row["n"] < planned:
                short[row["product"]].append(f"{row['n']} of {planned} in {_small(self.names.trial(row['trial']))}")
        for product, told in sorted(short.items()):
            text = f"{self.names.product(product)}: fewer specimens count than were planned: {'; '.join(told)}."
            yield Point(code_of("short", product), "bench", text, self.at("desk-results"), stops=False)

    def _one_unit(self, cells):
        """Products of which one unit was tested; those with the same trials are one point."""
        trials: dict[str, list[str]] = defaultdict(list)
        for row in cells:
            if row["n"] and row.get("units") == 1:
                trials[row["product"]].append(row["trial"])
        together: dict[tuple[str, ...], list[str]] = defaultdict(list)
        for product, own in sorted(trials.items()):
            together[tuple(sorted(own))].append(product)
        for own, products in together.items():
            where = "; ".join(_small(self.names.trial(trial)) for trial in own)
            who = words.listed([self.names.product(product) for product in products])
            text = f"One unit only of {who} was tested: {where}."
            yield Point(code_of("one-unit", products[0]), "bench", text, self.at("desk-results"), stops=False)

    def suspects(self):
        """Values in doubt on which nobody has written a decision beside the reading."""
        readings = self.tables["readings"]
        decided = {code for code, text in zip(readings["reading"], readings["decision"], strict=True) if text.strip()}
        found: dict[tuple[str, str], dict[str, list[str]]] = defaultdict(lambda: defaultdict(list))
        for row in self.document.get("suspects") or []:
            if not decided.intersection(row["readings"]):
                value = f"{with_unit(write(row['value']), row.get('unit_of_measure'))} ({', '.join(row['readings'])})"
                found[row["trial"], row["product"]][value].append(row["text"])
        for (trial, product), values in found.items():
            told = "; ".join(f"{value}: {', '.join(dict.fromkeys(texts))}" for value, texts in values.items())
            where = f"{self.names.trial(trial)}, {self.names.product(product)}"
            text = f"{where}: in doubt, and nobody has decided: {told}."
            link = f"{self.at('desk-trial', trial)}?state=in+doubt#specimens"
            yield Point(code_of("suspect", trial, product), "bench", words.typeset(text), link, stops=False)

    # -- scores, awards, article --

    def scores(self):
        link = self.at("desk-scorecard")
        for row in self.document.get("criteria") or []:
            flags = row.get("flags") or []
            name = self.names.criterion(row["criterion"])
            if "anchors_from_data" in flags:
                text = f"{name}: the values that score 0 and 100 are taken from the results."
                yield Point(code_of("anchors", row["criterion"]), "scores", text, link, stops=False)
            elif "anchors_not_before_data" in flags:
                text = f"{name}: the values that score 0 and 100 are not shown to be set before the first reading."
                yield Point(code_of("anchors", row["criterion"]), "scores", text, link, stops=False)
        from comparisons.analysis.awards import why_refused

        for award, why in why_refused(self.document.get("awards") or []):
            text = (f"The numbers do not carry the award “{award}”: {self.names.said(why)}. Take it back, or write the "
                    "reason for it, which readers will see.")  # fmt: skip
            yield Point(code_of("award", award), "scores", text, link, stops=True)

    def article(self):
        from .tied import article_points

        link, seen = self.at("desk-article"), defaultdict(int)
        for row in article_points(self.tables, self.document):
            text = f"Line {row['line']}: {row['text']}"
            place = code_of("article", row["kind"], hashlib.sha256(row["text"].encode()).hexdigest()[:12])
            seen[place] += 1
            if seen[place] > 1:
                place = code_of(place, str(seen[place]))
            stops = row["stops"] or row["kind"] == "picture-alt"
            asks = stops or row["kind"] == "tie-partly"
            text = row["text"] if asks and not stops else text  # a line moves with the text above it
            yield Point(place, "article", text, link, stops=stops, asks=asks)
