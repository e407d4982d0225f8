"""Analysis -> report.html: one self-contained page for the screen and for A4 paper."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from matplotlib.figure import Figure

from landing_analysis.definitions import (
    CAUTIONS,
    DEFINITIONS,
    FPPA_MEANING,
    FPPA_NAME,
    FPPA_SIGN,
    INTENDED_USE,
)
from landing_analysis.exercises import EXERCISES
from landing_analysis.findings.tally import added, landings_that_count, tally
from landing_analysis.measures.curves import CurveSet, landing_curves
from landing_analysis.report import behind, header, numbers, rep_tables, roles, sheet, verdicts
from landing_analysis.report.figures import (
    contact_curves_figure,
    rep_strip_figure,
    sides_figure,
    timeline_figure,
    unit_words,
)
from landing_analysis.report.glance import glances
from landing_analysis.report.pictures import KeyPicture, pictured_reps
from landing_analysis.report.style import limb_style, svg_text
from landing_analysis.tables import LIMBS, Analysis, Rep
from landing_analysis.wording import note_words, words_of

_STRIPS = (
    "fppa_peak_flexion", "knee_flexion_peak", "contact_time", "knee_flexion_excursion",
    "knee_ankle_separation_ratio", "pelvis_shift", "inter_limb_delay", "toe_to_heel_interval",
    "jump_height",
)  # fmt: skip
"""Measures that are drawn rep by rep, where they have values."""


@dataclass(frozen=True)
class Plot:
    """A plot with what it shows."""

    heading: str
    caption: str
    svg: Markup


@dataclass(frozen=True)
class Plots:
    """All plots of a page, None where there is nothing to draw."""

    small: Plot | None
    timeline: Plot | None
    curves: tuple[Plot, ...]
    strips: tuple[Plot, ...]
    sides: Plot | None


@dataclass(frozen=True)
class RepCard:
    """One rep in the strip."""

    number: int
    used: bool
    reason: str | None
    times: str
    flags: list[str]
    pictures: tuple[KeyPicture, ...]


def draw_plots(analysis: Analysis) -> Plots:
    """Draw the plots of a report, which takes longer than the rest of its page."""
    analysis = roles.with_roles(analysis)
    sets = verdicts.sets_of(analysis)
    return Plots(
        small=_small_plot(analysis),
        timeline=_timeline(analysis),
        curves=_curves(sets),
        strips=_strips(analysis),
        sides=_sides(sets),
    )


def report_html(
    analysis: Analysis,
    pictures: tuple[KeyPicture, ...],
    annotated_clip: str | None,
    plots: Plots | None = None,
) -> str:
    """Return the report of one clip as a page that needs nothing else.

    Parameters
    ----------
    analysis : Analysis
    pictures : from `pictures.key_pictures`
    annotated_clip : name of the annotated clip beside the page, None when there is none
    plots : from `draw_plots`; None to draw them now
    """
    plots = plots or draw_plots(analysis)
    analysis = roles.with_roles(analysis)
    sets = verdicts.sets_of(analysis)
    first, rest = sheet.shown_findings(sets)
    shots = sheet.shots_of(sets, pictures)
    counted = added(map(tally, sets))
    page = page_environment().get_template("report.html.j2")
    return page.render(
        analysis=analysis,
        behind=behind,
        header=header,
        numbers=numbers,
        rep_tables=rep_tables,
        verdicts=verdicts,
        title=header.title_words(analysis),
        annotated_clip=annotated_clip,
        intended_use=INTENDED_USE,
        cautions=CAUTIONS,
        definitions=[DEFINITIONS[name] for name in _measured(analysis)],
        tally=counted,
        counted_words=sheet.counted_words(counted, first, rest),
        lines_words=sheet.lines_words,
        first=first,
        rest=rest,
        closing=sheet.closing_lines(sets),
        sets=sets,
        glances=glances(analysis),
        shots=shots,
        shot_words=sheet.shot_words(
            [shot.which for shot in shots],
            sheet.key_measure(analysis),
            sheet.target_of(analysis),
        ),
        plots=plots,
        cards=[_card(analysis, rep, pictures) for rep in analysis.reps.reps],
        from_clip=any(picture.jpeg for picture in pictures),
        shown=[rep.number for rep in pictured_reps(analysis)],
        limb_styles={limb: limb_style(limb, analysis.decided.surgical_side) for limb in LIMBS},
        tables=rep_tables.rep_tables(analysis),
    )


@cache
def page_environment() -> Environment:
    """Return what renders the templates: escaping everything, refusing undefined names.

    One for all pages, since a template takes longer to compile than to fill.
    """
    environment = Environment(
        loader=PackageLoader("landing_analysis"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals["note_words"] = note_words
    environment.globals["fppa"] = {
        "name": FPPA_NAME, "meaning": FPPA_MEANING, "sign": FPPA_SIGN
    }  # fmt: skip
    return environment


def _measured(analysis: Analysis) -> list[str]:
    seen = {summary.name for summary in analysis.measures.summaries}
    return [name for name in DEFINITIONS if name in seen]


def _card(analysis: Analysis, rep: Rep, pictures: tuple[KeyPicture, ...]) -> RepCard:
    return RepCard(
        number=rep.number,
        used=rep.used,
        reason=words_of(rep.reason) or None,
        times=rep_tables.rep_times(analysis, rep),
        flags=rep_tables.rep_flags(analysis, rep),
        pictures=tuple(picture for picture in pictures if picture.rep == rep.number),
    )


def _plot(figure: Figure, name: str, heading: str, caption: str) -> Plot:
    description = f"{heading}. {caption}" if caption else f"{heading}."
    return Plot(heading, caption, Markup(svg_text(figure, name, description)))


def _timeline(analysis: Analysis) -> Plot | None:
    if not analysis.contacts.contacts or analysis.decided.time_base.doubt is not None:
        return None
    caption = (
        "Bars: a foot on the ground after a flight, hatched where no toe-off was seen. "
        "Grey: the whole body in the air. Numbers: reps, in brackets when not used."
    )
    return _plot(timeline_figure(analysis), "timeline", "Ground contacts over the clip", caption)


def _curves(sets: verdicts.Sets) -> tuple[Plot, ...]:
    """Draw the landings of each exercise that count, never those of several together."""
    drawn = ((number, one, _curves_of(one)) for number, one in enumerate(sets, 1))
    return tuple(
        _plot(
            contact_curves_figure(one, found),
            f"curves-{number}",
            f"{_CURVES[found.kind]} {_CURVES[found.axis]}{_whose(one, sets)}",
            _CURVE_WORDS + _AXIS_WORDS[found.axis],
        )
        for number, one, found in drawn
        if found is not None
    )


_CURVES = {
    "fppa": "FPPA", "flexion": "Knee flexion",
    "%": "through ground contact", "s": "after initial contact",
}  # fmt: skip
_CURVE_WORDS = "Thin: each landing that counts. Thick: their mean. "
_AXIS_WORDS = {
    "%": "0 % is initial contact, 100 % toe-off; landings without a toe-off are not drawn.",
    "s": "No toe-off was seen, so the axis is time.",
}


def _curves_of(one: Analysis) -> CurveSet | None:
    counted = landings_that_count(one.measures)
    reps = tuple(rep for rep in one.reps.reps if rep.number in counted)
    found = landing_curves(replace(one, reps=replace(one.reps, reps=reps)))
    in_doubt = one.decided.time_base.doubt is not None
    return None if found is None or (in_doubt and found.axis != "%") else found


def _whose(one: Analysis, sets: verdicts.Sets) -> str:
    """Name the exercise after a heading, where a clip holds several."""
    return "" if len(sets) == 1 else f", {EXERCISES[one.reps.reps[0].exercise].name}"


def _strips(analysis: Analysis) -> tuple[Plot, ...]:
    values: dict[str, int] = {}
    for row in analysis.measures.measures:
        values[row.name] = values.get(row.name, 0) + (row.value is not None)
    return tuple(
        _plot(
            rep_strip_figure(analysis, name),
            f"strip-{name}",
            f"{DEFINITIONS[name].label} rep by rep{unit_words(name)}",
            "",
        )
        for name in _STRIPS
        if values.get(name, 0) >= 2
    )


def _small_plot(analysis: Analysis) -> Plot | None:
    """Draw the measure of the first page rep by rep, where there are reps to compare."""
    name = sheet.key_measure(analysis)
    values = [m for m in analysis.measures.measures if m.name == name and m.value is not None]
    if len({row.rep for row in values}) < 2:
        return None
    heading = f"{DEFINITIONS[name].label} rep by rep{unit_words(name)}"
    caption = "Bars: 95 % intervals."
    if any(limit.measure == name for limit in analysis.limits):
        caption += " The ground beyond a dotted limit is grey."
    return _plot(rep_strip_figure(analysis, name), "sheet-plot", heading, caption)


def _sides(sets: verdicts.Sets) -> Plot | None:
    """Draw the limbs of a clip's own exercise against each other."""
    own = sets[0]
    figure = sides_figure(own)
    if figure is None:
        return None
    caption = (
        "Means of the landings that count, with 95 % intervals. LSI: limb symmetry index, the "
        f"{own.measures.comparisons[0].limb} limb over the other; only where zero is a "
        "true zero, differences elsewhere."
    )
    return _plot(figure, "sides", f"Left and right{_whose(own, sets)}", caption)
