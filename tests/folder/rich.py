# ruff: noqa: E501  (rows of tables)
"""A small study that fills every column of every table, for tests of the way in and out.

Invented data about hose clamps; no product is meant. `files()` gives the folder's files as bytes, so a
test can spoil one of them and write the rest.
"""

from __future__ import annotations

import hashlib
import io
import zipfile
from pathlib import Path

from PIL import Image

TOML = """\
slug = "hose-clamps"
title = "Hose clamps of 16 mm"
question = "Which clamp \\"holds\\" — wet and dry?"
currency = "EUR"
seed = 7
kind = "hose clamp"

[plan]
frozen_at = "2026-01-05T09:00:00+01:00"
by = "Ada Planner"
market_scan = "Three shops, one market"
inclusion = "Sold in two of them"
characteristics = "Life in years is not tested: no time"
tie_rule = "Not shown to differ: one place"
funding = "Paid by readers"

[decision]
confidence = 0.950
rule = "guard"
rounding = "rounding"
coverage = 0.95
price_cap = 2.50

[[criterion]]
id = "grip"
name = "Grip"
trial = "grip-dry"
measure = "mean"
better = "more"
floor = 10
ceiling = 1e3
value_function = "logarithmic"
exponent = 1.5
anchors_set_at = "2026-01-04"
must = false

[[criterion]]
id = "wet"
trial = "grip-wet"
measure = "change"
better = "target"
target = 0
band = 5
floor = -40
ceiling = 40.0

[[criterion]]
id = "cost"
cost = "per_item"
measure = "lowest"
better = "less"
floor = 3
ceiling = 0.5

[[criterion]]
id = "listed"
certification = "listed"
must = true

[[weighting]]
id = "all"
name = "All round"
missing = "leave_out"

[weighting.weights]
grip = 60
"wet" = 25.5
cost = 14.5

[[weighting]]
id = "cheap"

[weighting.weights]
cost = 1
"""

TABLES = {
    "products": """\
product,maker,model,variant,notes
alder,Alderfen,C 16,"zinc, narrow",Ask about the plating
birch,Birkmoss,Grip 16,,
""",
    "purchases": """\
purchase,product,obtained,seller,bought_on,price,shipping,currency,packs,items_per_pack,content,content_unit,lot,receipt
alder-p1,alder,bought,"Shop ""A"", main street",2025-12-01,12.50,2.90,EUR,2,10,0.30,m,L-77,files/receipt.pdf
birch-p1,birch,supplied,,,,,,,,,,,
""",
    "units": """\
unit,product,purchase,lot
alder-1,alder,alder-p1,L-77
alder-2,alder,alder-p1,
birch-1,birch,birch-p1,
""",
    "properties": """\
property,name,reading,unit,better,decimals,plausible_low,plausible_high,tolerance_pct,scale_low,scale_high
grip,Grip per area,quantity,N/mm^2,more,1,0.5,200,,,
width,Width,quantity,mm,neither,2,2,20,5,,
thick,Thickness,quantity,mm,neither,2,,,,,
edge,Smoothness of the edge,rating,step,more,0,,,,1,5
holds,Holds at 3 bar,pass_fail,,more,,,,,,
listed,Listed in the register,certification,,,,,,,,
""",
    "conditions": """\
condition,name,agent,temperature,temperature_unit,duration,duration_unit,recovery,recovery_unit
wet,One day in water,tap water,23,°C,24,h,5,min
heat,,,80,degC,,,,
""",
    "methods": """\
method,revision,title,standard,relation,departures,cannot_show,steps,cautions,hazardous
pull,1,Pull on a bench,Own 12,departs,"By hand, not driven",Life in years,"1. Close.
2. Pull.",Shield closed; eye protection on.,yes
pull,2,Pull on a bench,,own,,,"1. Close. 2. Wait. 3. Pull.",Shield closed.,yes
pull,3,Pull on a bench,,own,,,By hand.,,no
look,a,Look and feel,,,,,,,no
""",
    "failure_modes": """\
method,mode,name,counts
pull,slip,slipped off,yes
pull,jaw,broke in the jaw,no
""",
    "trials": """\
trial,property,condition,method,revision,baseline,paired,reading_unit,divide_by,units_planned,replicates,blind,seed
grip-dry,grip,,pull,2,,,lbf,width*thick,2,3,yes,11
grip-wet,grip,wet,pull,2,grip-dry,yes,lbf,width*thick,2,3,no,12
width,width,,,,,no,,,2,1,no,
thick,thick,,,,,no,,,2,1,no,
edge,edge,,look,,,no,,,1,1,yes,
holds,holds,,,,,no,,,1,1,no,
""",
    "runs": """\
trial,run,started_at,reason,pooled_because,anchor_product,revision
grip-dry,r1,2026-01-06T08:00:00+01:00,First run,,,1
grip-dry,r2,2026-01-07 08:00,New lining,Alder was read in both,alder,
""",
    "absences": """\
trial,product,reason,note
grip-wet,birch,lost,Went down the drain
holds,birch,not_planned,
""",
    "specimens": """\
specimen,unit,code,order_planned,order_done
a1,alder-1,K7,1,2
a2,alder-1,K9,2,1.5
b1,birch-1,M3,,
""",
    "exposures": """\
specimen,condition,started_at,ended_at,chamber,actual_low,actual_high,actual_unit
a1,wet,2026-01-08T08:00:00Z,2026-01-09T08:05:00Z,tub 1,22.5,23.9,degC
a1,wet,2026-01-12,,tub 2,,,
""",
    "instruments": """\
instrument,name,serial,unit,range_low,range_high,resolution,accuracy_pct,accuracy_basis,accuracy_abs,calibrated_on,due_on
stand,"Stand, 500 N",S-1,N,5,500,0.10,0.2,full_scale,0.05,2025-11-02,2026-11-02
rule,Rule,,mm,,,0.5,,,,,
""",
    "calibrations": """\
instrument,calibrated_on,due_on,U,k,offset,gain,certificate
stand,2024-11-02,2025-11-02,0.8,2,0.1,1.002,C-24
stand,2025-11-02,2026-11-02,0.70,2.0,-0.1,1,C-25
""",
    "corrections": """\
correction,instrument,since,until,factor,reason,undone_at,undone_reason
stand-1,stand,2026-01-06,2026-01-08,0.943,The stand showed 6 % too much,,
stand-0,stand,2026-01-06,2026-01-06,0.9,Taken for the wrong stand,2026-01-20T10:00:00Z,It was the other one
""",
    "left_out": """\
maker,model,variant,why
Cedarholm,Ring 16,steel,Out of stock since autumn
""",
    "limitations": """\
point,what,reason
one-unit.edge,One unit of each product was rated,A second one could not be had
""",
    "claims": """\
claim,product,property,trial,condition,of,sense,value,low,high,tolerance_minus,tolerance_plus,unit,scope,source,wording,seen_on,certification_state,reference,checked_on,governs,governs_reason,not_tested_because
c1,alder,grip,grip-dry,,value,at_least,2900,,,,,psi,every,package,"Grips 2900 psi, always",2025-12-01,,,,yes,The pack is what a buyer sees,
c2,alder,grip,,,value,at_least,19.5,,,,,N/mm²,typical,listing,,2025-12-02,,,,no,,
c3,alder,width,,,,nominal,16.0,,,0.1,0.2,mm,,,,,,,,,,No gauge reaches it
c4,birch,grip,grip-wet,wet,change,between,,-10,10,,,%,,,,,,,,,,
c5,birch,listed,,,,yes,,,,,,,,register,Listed,2025-12-03,verified,R-9,2025-12-04,,,
""",
    "readings": """\
reading,trial,product,unit,specimen,value,bound,unit_of_measure,operator,rater,instrument,taken_at,received_at,run,order,failure_mode,trace,decision,replaces,replace_reason,voided_at,voided_by,void_reason,note
q1,grip-dry,alder,alder-1,a1,1700.50,=,lbf,Cy Bench,,stand,2026-01-06T08:10:00+01:00,2026-01-06T08:10:04+01:00,r1,1,slip,files/trace-q1.csv,kept: seen again,,,,,,wind from the door
q2,grip-dry,alder,,a2,1e3,>,,Dee Bench,,stand,2026-01-06T07:30:00Z,,r2,2.5,,,,,,,,,
q3,grip-dry,birch,birch-1,b1,7563,,N,Cy Bench,,,,,,,,,,,,,,,
q4,grip-dry,birch,birch-1,b1,7653,,N,Cy Bench,,,,,,,,,,q3,digits swapped,,,,
q5,grip-wet,alder,,a1,1500,,lbf,Dee Bench,,stand,2026-01-09 08:20,,,,,,,,,2026-01-09T09:00:00Z,Eve Lead,dropped on the floor,
w1,width,alder,,a1,0.63,,in,Dee Bench,,rule,,,,,,,,,,,,,
w2,width,birch,,b1,16.1,,,Dee Bench,,rule,,,,,,,,,,,,,
e1,edge,alder,,a1,4,,step,Dee Bench,Fay Hand,,,,,,,,,,,,,,
e2,edge,alder,,a1,3,,,Cy Bench,,,,,,,,,,,,,,,
h1,holds,alder,alder-2,,Pass,,,Cy Bench,,,,,,,,,,,,,,,
""",
    "files": """\
file,about,code,kind,caption,alt,sha256
files/pack.jpg,product,alder,photo,The pack,A grey pack,
files/sketch.png,trial,grip-dry,sketch,,,
files/receipt.pdf,purchase,alder-p1,receipt,Order 4711,,
files/claim.png,claim,c1,photo,,,
files/a1.gif,specimen,a1,photo,,,
files/trace-q1.csv,reading,q1,trace,Force over time,,{trace}
""",
    "deviations": """\
at,by,what,from,to,why
2026-01-06T12:00:00+01:00,Cy Bench,"trial grip-wet, replicates",4,3,One day less in the tub
2026-01-06T12:00:00+01:00,Gus Other,order of runs,,,
""",
    "awards": """\
award,name,weighting,product,reason
best,Best of all,all,alder,It is the only one that held when wet
value,,,birch,
""",
    "answers": """\
product,received_at,text,published
alder,2026-02-01T10:00:00+01:00,"We meant the strap, not the clamp.",yes
birch,2026-02-02T10:00:00Z,Please wait.,no
""",
}

ARTICLE = "# Hose clamps\n\nAlder holds best {{ties: best}}.\n"
PACKAGE = """\
{"$schema": "https://datapackage.org/profiles/2.0/datapackage.json", "name": "elsewhere",
 "title": "Hose clamps, the data", "description": "Invented.", "created": "2026-02-03T00:00:00Z",
 "licenses": [{"name": "CC0-1.0", "path": "https://creativecommons.org/publicdomain/zero/1.0/"}],
 "sources": [{"title": "our bench"}], "resources": []}
"""
TRACE = b"t,force\n0,0\n1,1700.5\n"
GPS_TEXT = b"Owner of the camera"


def photo() -> bytes:
    """A JPEG that tells owner and place, lying on its side."""
    exif = Image.Exif()
    exif[0x0112] = 6  # orientation: turn right
    exif[0x013B] = GPS_TEXT.decode()
    exif.get_ifd(0x8825)[1] = "N"
    exif.get_ifd(0x8825)[2] = (52.0, 30.0, 0.0)
    out = io.BytesIO()
    picture = Image.new("RGB", (40, 20), "#808080")
    picture.putpixel((0, 0), (255, 0, 0))
    picture.save(out, "JPEG", exif=exif, comment=GPS_TEXT, quality=95)
    return out.getvalue()


def drawing(form: str = "PNG") -> bytes:
    from PIL.PngImagePlugin import PngInfo

    out = io.BytesIO()
    picture = Image.new("RGB", (8, 8), "white")
    picture.putpixel((3, 4), (1, 2, 3))
    if form == "PNG":
        text = PngInfo()
        text.add_text("Author", GPS_TEXT.decode())
        picture.save(out, "PNG", pnginfo=text)
    else:
        picture.convert("P").save(out, form, comment=GPS_TEXT)
    return out.getvalue()


def files() -> dict[str, bytes]:
    """The folder's files by path."""
    made = {f"{name}.csv": text.encode() for name, text in TABLES.items()}
    made["files.csv"] = TABLES["files"].format(trace=hashlib.sha256(TRACE).hexdigest()).encode()
    return made | {
        "comparison.toml": TOML.encode(),
        "article.md": ARTICLE.encode(),
        "datapackage.json": PACKAGE.encode(),
        "files/pack.jpg": photo(),
        "files/sketch.png": drawing(),
        "files/claim.png": drawing(),
        "files/a1.gif": drawing("GIF"),
        "files/receipt.pdf": b"%PDF-1.4 order 4711",
        "files/trace-q1.csv": TRACE,
    }


def write(folder: Path, changed: dict[str, bytes | None] | None = None) -> Path:
    """The study as a folder; `changed` replaces files, or leaves out those that are None."""
    for path, data in (files() | (changed or {})).items():
        if data is not None:
            target = folder / path
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(data)
    return folder


def zipped(changed: dict[str, bytes | None] | None = None, inside: str = "") -> io.BytesIO:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for path, data in (files() | (changed or {})).items():
            if data is not None:
                archive.writestr(inside + path, data)
    out.seek(0)
    return out
