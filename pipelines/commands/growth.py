"""``menton growth``: growth references in force; fit one, import one, choose one."""

import argparse
import re
from dataclasses import asdict
from importlib.resources import files
from typing import Any

from pipelines.commands.options import (
    catalogues_of,
    print_table,
    progress,
    published_again,
    reading,
    say,
    say_json,
    storing,
)
from pipelines.ingest.growth_table import read_growth_table
from warehouse.errors import DefinitionError, RequestError, near_names
from warehouse.growth.fitting import ID, FittedReference, fit_reference
from warehouse.growth.own_cases import own_cases
from warehouse.marts.catalogues import CHOSEN, Catalogues, in_force, register
from warehouse.outcomes.growth_reference import ADULTS, GrowthCurve, GrowthReference, atlas, choose
from warehouse.store.storage import Connection
from warehouse.words.sentences import caution_text

EXAMPLE = files(__package__).joinpath("growth_example.toml").read_text(encoding="utf-8")
_OWN_IDS = ("R1", "R2", "ATLAS")


def run(args: argparse.Namespace) -> None:
    if args.example:
        print(EXAMPLE)
        return
    is_change = args.fit or args.table or args.use or args.enlargement is not None
    catalogues = _change(args) if is_change else catalogues_of(args)
    if args.json:
        listed = [_plain(one, catalogues) for one in catalogues.references.values()]
        say_json({"growth_references": listed})
    else:
        _print(catalogues, curves=not args.fit)


def _change(args: argparse.Namespace) -> Catalogues:
    with storing(args, create=bool(args.table and not args.fit)) as store:
        added = [*([_fitted(args, store)] if args.fit else []), *([_imported(args, store)] if args.table else [])]
        added += [_enlarged(args, store)] if args.enlargement is not None else []
        references = in_force(store).references | {one.id: one for one in added}
        chosen = choose(references, args.use) if args.use else None
        measures = _measures_of(chosen, args.measures) if chosen is not None else ()
        with store.transaction():
            for reference in added:
                register(store, "growth_reference", reference.id, reference.version, asdict(reference))
            for measure in measures:
                register(store, "setting", CHOSEN + measure, "1", chosen.id if chosen else "")
        published_again(args, store)
        return in_force(store)


def _measures_of(chosen: GrowthReference, asked: list[str] | None) -> tuple[str, ...]:
    """The measures a reference is chosen for: all it has, or those asked for."""
    for measure in asked or ():
        if measure not in chosen.measures:
            found = f"{chosen.name} has no curve of {measure}"
            remedy = near_names(measure, chosen.measures) or "choose a reference that has one"
            raise DefinitionError(found, expected=f"one of {', '.join(chosen.measures)}", remedy=remedy)
    return tuple(asked or chosen.measures)


def _enlarged(args: argparse.Namespace, store: Connection) -> GrowthReference:
    """The atlas with another enlargement of its films, as a version of its own."""
    if not 0.0 <= args.enlargement <= 25.0 or not args.source.strip():
        found = f"an enlargement of {args.enlargement:g} percent" + ("" if args.source.strip() else " without a source")
        remedy = "state where the enlargement was read: --enlargement 12.9 --source TEXT"
        raise RequestError(found, expected="0 to 25 percent, with --source", remedy=remedy)
    number = int(_next_version(store, "ATLAS").partition(".")[0]) + 1
    return atlas(args.enlargement, version=f"{number}.0.0", said=args.source.strip())


def _next_version(store: Connection, identifier: str) -> str:
    """Every fit and import is a new version: figures say by which they were made."""
    earlier = store.value(
        "select count(*) from registrations where kind = 'growth_reference' and name = ?", [identifier]
    )
    return f"{earlier + 1}.0.0"


def _fitted(args: argparse.Namespace, store: Connection) -> GrowthReference:
    published_again(args, store)  # the fit reads what is published: all that is loaded
    progress("fitting the courses of untreated cases")
    with reading(args) as reader:
        found = fit_reference(own_cases(reader), version=_next_version(store, ID))
    if not args.json:
        _tell_fit(found)
    if found.reference is None:
        reasons = sorted({caution_text(one.reason) for one in found.refused}) or ["no untreated case has a measure"]
        message = "no measure could be fitted"
        raise RequestError(
            message,
            where="untreated comparison cases",
            expected="children observed without treatment, seen at two ages or more",
            remedy="; ".join(reasons),
        )
    return found.reference


def _tell_fit(found: FittedReference) -> None:
    rows = [
        [
            fit.curve.measure,
            "both" if fit.curve.sex == "any" else fit.curve.sex,
            str(fit.n_children),
            f"{fit.curve.ages[0]:.1f} to {fit.curve.ages[-1]:.1f}",
            _yearly(fit.curve),
            "—" if fit.curve.slope_se is None else f"{fit.curve.slope_se:.2f}",
            "not known" if fit.curve.slope_sd is None else f"{fit.curve.slope_sd:.2f}",
        ]
        for fit in found.fits
    ]
    if rows:
        columns = ["measure", "sex", "children", "ages", "change a year", "its standard error", "spread of children"]
        print_table("Fitted", columns, rows, right=[2, 3, 4, 5, 6])
    for remark in found.remarks:
        say(f"  {caution_text(remark)}")
    concerned: dict[str, list[str]] = {}
    for fit in found.fits:
        for caution in fit.cautions:
            concerned.setdefault(caution_text(caution), []).append(f"{fit.curve.measure} ({fit.curve.sex})")
    for text, fits in concerned.items():
        say(f"  {text} ({len(fits)} of {len(found.fits)} lines: {', '.join(fits[:4])}{' …' if len(fits) > 4 else ''})")
    for refusal in found.refused:
        say(f"  {refusal.label}: not fitted, {caution_text(refusal.reason)}")


def _imported(args: argparse.Namespace, store: Connection) -> GrowthReference:
    identifier = args.id.strip().upper()
    if identifier in _OWN_IDS or not re.fullmatch(r"[A-Z][A-Z0-9_]{0,11}", identifier):
        found = f"{args.id!r} cannot be the id of an imported table"
        raise DefinitionError(found, expected="letters and digits, a letter first; R1 and R2 are taken")
    return read_growth_table(
        args.table,
        measures=in_force(store).measures,
        version=_next_version(store, identifier),
        identifier=identifier,
        source=args.source,
        label=args.label,
    )


def _yearly(curve: GrowthCurve) -> str:
    """Change a year over the growing part of the curve."""
    grown = [k for k in range(len(curve.ages) - 1) if curve.means[k] != curve.means[k + 1]]
    if not grown:
        return f"{0:+.2f}"
    first, last = grown[0], grown[-1] + 1
    return f"{(curve.means[last] - curve.means[first]) / (curve.ages[last] - curve.ages[first]):+.2f}"


def _plain(reference: GrowthReference, catalogues: Catalogues) -> dict[str, Any]:
    used = [measure for measure, one in catalogues.references_used.items() if one is reference]
    return {**asdict(reference), "in_use": bool(used), "used_for": used}


def _print(catalogues: Catalogues, *, curves: bool) -> None:
    """List the references; ``curves``: with their lines."""
    used = catalogues.references_used
    for reference in catalogues.references.values():
        mark = "  <- in use" if reference in used.values() else ""
        say(f"\n{reference.name}  {reference.label}{mark}")
        say(f"  {reference.provenance}")
        if not curves:
            continue
        rows = [
            [
                curve.measure,
                "both" if curve.sex == "any" else curve.sex,
                f"{curve.ages[0]:g} to {curve.ages[-1]:.4g}",
                _yearly(curve),
                "not known" if curve.slope_sd is None else f"{curve.slope_sd:.2f}",
                "yes" if used.get(curve.measure) is reference else "no",
                curve.trust,
                curve.source,
            ]
            for curve in reference.curves
        ]
        columns = ["measure", "sex", "ages", "change a year", "spread", "in use", "evidence", "source"]
        print_table("", columns, rows, right=[2, 3, 4])
    say(f"Adults: {ADULTS}.")
    say("Choose one with `menton growth --use ID`, or for some measures with `--for MEASURE`. A child outside the ages")
    say("of the reference of a measure is a loss of its own: no growth reference at this age.")
