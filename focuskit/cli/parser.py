"""The parser of all commands. It imports no library that costs; `cli` loads what a command runs."""

from __future__ import annotations

import argparse
import textwrap
from typing import Any

from focuskit import __version__
from focuskit.cli.options import (
    JSON_HELP,
    add_answer_options,
    add_drift_options,
    add_file,
    add_folder,
    add_frame_options,
    add_limit_option,
    add_log_options,
    add_logbook_options,
    add_number,
    add_reading_options,
    add_report_option,
    add_run_options,
    add_table_options,
    add_workers_option,
    by_filter,
    file_to_write,
    number_of,
)

EXAMPLES = {
    "setup": "focuskit setup sample_data/night --to my_rigs",
    "analyse": "focuskit analyse sample_data/night --rig sample_data/heron.toml",
    "defocus": "focuskit defocus sample_data/night --rig sample_data/heron.toml",
    "diagnose": "focuskit diagnose sample_data/night --rig sample_data/heron.toml",
    "offsets": "focuskit offsets --runs sample_data/season/runs.csv --at 4.5 --filter Ha",
    "interval": "focuskit interval --temps sample_data/season/temperatures.csv --runs sample_data/season/runs.csv",
    "plan": "focuskit plan --runs sample_data/season/runs.csv --rig sample_data/heron.toml --at 4.5",
    "report": "focuskit report sample_data/night --rig sample_data/heron.toml --runs sample_data/season/runs.csv "
    "--temps sample_data/season/temperatures.csv --to report.html",
    "demo": "focuskit demo night_to_try",
    "completion": "focuskit completion bash",
    "self-check": "focuskit self-check",
    "logbook": "focuskit logbook import sample_data/season/runs.csv --logbook my.sqlite",
    "logbook list": "focuskit logbook list --logbook my.sqlite --rig-name Heron",
    "logbook show": "focuskit logbook show 17 --logbook my.sqlite",
    "logbook note": 'focuskit logbook note 17 "wind from the north" --logbook my.sqlite',
    "logbook exclude": "focuskit logbook exclude 17 --logbook my.sqlite",
    "logbook include": "focuskit logbook include 17 --logbook my.sqlite",
    "logbook rename": "focuskit logbook rename filter L Lum --logbook my.sqlite",
    "logbook export": "focuskit logbook export season.ecsv --logbook my.sqlite",
    "logbook import": "focuskit logbook import sample_data/season/runs.csv --logbook my.sqlite",
}
SHELLS = ("bash", "zsh", "fish", "powershell")
NUMBER = "of the run, as the list shows it"


class HelpForm(argparse.RawDescriptionHelpFormatter):
    """Examples as they are written, and room for the names of options."""

    def __init__(self, prog: str, **settings: Any) -> None:
        super().__init__(prog, max_help_position=28, **settings)
        self._action_max_length = 14  # names of commands are indented twice, which argparse does not count


class Parser(argparse.ArgumentParser):
    """A parser that takes options by their whole name only, and leaves examples as they are written."""

    def __init__(self, **settings: Any) -> None:
        settings.setdefault("formatter_class", HelpForm)
        super().__init__(allow_abbrev=False, **settings)


def build_parser() -> Parser:
    """Return the parser of all commands; ``run`` of what it parsed names the function to call."""
    parser = Parser(
        prog="focuskit",
        description="Best focus from focus frames, its drift with temperature, and when to refocus.",
        epilog=f"example:\n  {EXAMPLES['analyse']}",
    )
    parser.add_argument("--version", action="version", version=f"focuskit {__version__}")
    parser.set_defaults(run="welcome:run_welcome")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND")
    _add_setup(commands)
    _add_analyse(commands)
    _add_defocus(commands)
    _add_diagnose(commands)
    _add_offsets(commands)
    _add_interval(commands)
    _add_plan(commands)
    _add_report(commands)
    _add_logbook(commands)
    _add_demo(commands)
    what = "print what a shell needs to complete commands and options"
    shells = _add(commands, "completion", "completion:run_completion", what)
    shells.add_argument("shell", choices=SHELLS, help="the shell; the first line of the script says where to put it")
    _add(commands, "self-check", "self_check:run_check", "print versions and check that this installation works")
    return parser


def _add(commands: Any, path: str, run: str | None, what: str, description: str | None = None) -> Any:
    """Add a command with its worked example and the function that runs it, as ``module:function``."""
    example = EXAMPLES[path]
    first = f"{EXAMPLES['logbook import']}\n  " if path.startswith("logbook ") and path != "logbook import" else ""
    parser = commands.add_parser(
        path.split()[-1],
        help=what,
        description=textwrap.fill(description or f"{what[0].upper()}{what[1:]}.", 79),
        epilog=f"example:\n  {first}{example}",
    )
    if run:
        parser.set_defaults(run=run)
    return parser


def _add_setup(commands: Any) -> None:
    parser = _add(
        commands,
        "setup",
        "setup:run_setup",
        "draft a rig file from the frames in a folder",
        "Read the headers and names of all frames below the folders, and draft a rig file for each telescope and "
        "camera: what is known, what is missing and what it is worth, how file names carry the position. Frames of "
        "that rig find it by themselves from then on. A rig file that is there is left as it is.",
    )
    add_file(parser, "folders", nargs="+", metavar="FOLDER", help="where the frames are")
    add_folder(parser, "--to", "where to write the rig files (your usual place: see self-check)")
    add_limit_option(parser)
    add_workers_option(parser)
    parser.add_argument("--json", action="store_true", help=JSON_HELP)
    parser.add_argument("--quiet", action="store_true", help="no progress on the terminal")


def _add_analyse(commands: Any) -> None:
    parser = _add(
        commands,
        "analyse",
        "analyse:run_analyse",
        "find the best position of every focus run in a folder",
        "Measure every frame below the folders, group the frames into focus runs, and find the best position of "
        "each with its error.",
    )
    add_frame_options(parser)
    parser.add_argument("--frames", action="store_true", help="also list every frame")
    add_report_option(parser)
    add_folder(parser, "--plots", "write the curves as PNG and SVG pictures")
    add_folder(parser, "--tables", "write runs and frames as ECSV tables with units")
    add_logbook_options(parser.add_mutually_exclusive_group(), "record the runs in this logbook")
    parser.add_argument("--record", action="store_true", help="record the runs in your usual logbook")


def _add_defocus(commands: Any) -> None:
    parser = _add(
        commands,
        "defocus",
        "defocus:run_defocus",
        "how far single frames were from focus, and where focus is",
        "Measure every frame below the folders by itself, light frames too: how far from focus it was, where focus is, "
        "and the seeing with defocus taken out. On which side of focus a frame lay follows from logged runs, from "
        "frames at other positions, from its stars, or from --side. It needs the optics: focal length, aperture and "
        "central obstruction.",
    )
    add_frame_options(parser)
    parser.add_argument("--side", choices=("outside", "inside"), help="where all the frames lay; outside is higher")
    add_logbook_options(parser.add_mutually_exclusive_group())


def _add_diagnose(commands: Any) -> None:
    parser = _add(
        commands,
        "diagnose",
        "diagnose:run_diagnose",
        "what the focus runs in a folder say about focuser, optics and camera",
        "Measure every frame below the folders and say what their focus runs show of the optical train: backlash and "
        "step size of the focuser, tilt, curvature, the shape of the stars, a second camera, exposure and seeing. "
        "Each finding has its error; what is not seen is given with the amount that would have been.",
    )
    add_frame_options(parser)
    add_logbook_options(parser.add_mutually_exclusive_group())


def _add_offsets(commands: Any) -> None:
    parser = _add(
        commands,
        "offsets",
        "offsets:run_offsets",
        "steps per °C, and how far apart the filters focus",
        "Learn focus against temperature, and the filter offsets, from logged focus runs.",
    )
    add_run_options(parser)
    add_log_options(
        parser.add_argument_group("log of temperatures"),
        purpose="temperatures of the air: they fill gaps, and a lag of the tube is tried",
    )
    model = parser.add_argument_group("model")
    model.add_argument("--reference-filter", metavar="NAME", help="offsets count from this filter (L)")
    model.add_argument("--no-lights", action="store_true", help="leave out the light frames of the logbook")
    add_drift_options(model)
    answer = parser.add_argument_group("answer")
    add_number(answer, "--at", "temperature_c", "CELSIUS", "predict the best position")
    answer.add_argument("--filter", metavar="NAME", help="the filter to predict for; all without it")
    add_folder(answer, "--tables", "write whole-step offsets as CSV, to copy elsewhere")
    add_report_option(answer)
    add_folder(answer, "--plots", "draw drift, residuals and offsets as PNG files")
    add_answer_options(answer)


def _add_interval(commands: Any) -> None:
    parser = _add(
        commands,
        "interval",
        "interval:run_interval",
        "when to refocus, and what it is worth",
        "Replay the temperatures of past nights and find when refocusing pays.",
    )
    parser.epilog += (
        "\nwithout any logged run, values are given by hand:\n"
        "  --steps-per-c -6.5 --best-hfd 5.9 --slope 0.114 --run-cost 95 --position-err 1.5"
    )
    log = parser.add_argument_group("log of temperatures")
    add_log_options(log, purpose="one or more logs (needed)")
    log.add_argument("--night", metavar="19:00-05:00", help="hours of the night in a log round the clock, or all")
    add_run_options(parser)
    add_drift_options(parser.add_argument_group("model"))
    focus = parser.add_argument_group("focus, where the logged runs do not tell or you know better")
    add_number(focus, "--steps-per-c", "steps_per_c", "K", "drift of the best position with temperature")
    add_number(focus, "--steps-per-c-err", "steps_per_c_err", "ERR", "its error (0)")
    _add_sizes(focus)
    focus.add_argument(
        "--run-cost", type=by_filter(number_of("seconds")), metavar="SECONDS", help="of a focus run: 95, or L=95,Ha=480"
    )
    focus.add_argument(
        "--position-err",
        type=by_filter(number_of("position_err")),
        metavar="STEPS",
        help="error of a run: 1.5, or L=1.5,Ha=3",
    )
    walk = "how far focus moves in an hour apart from temperature, growing with the root of time"
    add_number(focus, "--random-walk", "random_walk", "STEPS", walk)
    night = parser.add_argument_group("the night")
    add_file(night, "--blocks", metavar="FILE", help="its filters: CSV or TOML with filter, minutes, sub_s in order")
    add_number(night, "--now-every", "minutes", "MIN", "what you do now, besides runs at filter changes (60)", 60.0)
    add_report_option(parser)
    add_folder(parser, "--plots", "draw the nights and the optimum as PNG and SVG")
    add_answer_options(parser)


def _add_sizes(group: Any) -> None:
    add_number(group, "--best-hfd", "hfd_best_px", "PX", "least half-flux diameter")
    add_number(group, "--slope", "hfd_slope_px_per_step", "PX_PER_STEP", "slope of the wings of the curve")


def _add_plan(commands: Any) -> None:
    parser = _add(
        commands,
        "plan",
        "plan:run_plan",
        "how to make the next focus run in each filter",
        "From the last good runs: step, number of frames and exposure of the next one, and whether a run in a slow "
        "filter is worth its time.",
    )
    add_run_options(parser)
    add_log_options(
        parser.add_argument_group("log of temperatures"),
        purpose="temperatures of the air, as for offsets: they fill gaps, and a lag of the tube is tried",
    )
    add_drift_options(parser.add_argument_group("model"))
    _add_sizes(parser.add_argument_group("focus, where the logged runs do not tell or you know better"))
    add_number(parser, "--at", "temperature_c", "CELSIUS", "centre it by the learned drift")
    parser.add_argument("--filter", metavar="NAME", help="of this filter only")
    add_number(parser, "--interval", "minutes", "MIN", "time that a run is to serve (120)", 120.0)
    add_answer_options(parser)


def _add_report(commands: Any) -> None:
    parser = _add(
        commands,
        "report",
        "report:run_report",
        "night, offsets and interval in one page that any browser opens",
        "Write one page: how the focus was in the frames of FOLDER, what the logged runs tell of the offsets, and, "
        "with a log of temperatures, when to refocus. Each part is there if there is something to make it from.",
    )
    add_file(parser, "folders", nargs="*", metavar="FOLDER", help="where the frames of the night are")
    add_report_option(parser, "--to", default="focus_report.html", help="the page (focus_report.html)")
    add_log_options(parser.add_argument_group("log of temperatures"), purpose="one or more logs, for the interval")
    parser.add_argument("--night", metavar="19:00-05:00", help="hours of the night in a log round the clock, or all")
    add_run_options(parser)
    add_drift_options(parser.add_argument_group("model"))
    parser.add_argument("--record", action="store_true", help="record the runs of the night in the logbook")
    add_reading_options(parser.add_argument_group("frames"))
    parser.add_argument("--json", action="store_true", help=JSON_HELP)
    parser.add_argument("--quiet", action="store_true", help="no progress on the terminal")
    # What the three commands can be told besides, as they take it where nothing is said.
    parser.set_defaults(
        steps_per_c=None, steps_per_c_err=None, best_hfd=None, slope=None, run_cost=None, position_err=None,
        random_walk=None, blocks=None, now_every=60.0,
    )  # fmt: skip


def _add_demo(commands: Any) -> None:
    parser = _add(
        commands,
        "demo",
        "demo:run_demo",
        "make a night to try, and do the three jobs with it",
        "Write an invented season and the frames of a night into FOLDER, do the three jobs with them, and name the "
        "commands.",
    )
    folder = "new or empty (focuskit_demo)"
    add_file(parser, "folder", nargs="?", default="focuskit_demo", metavar="FOLDER", help=folder)
    parser.add_argument("--seed", type=int, default=1, metavar="N", help="another number makes another night (1)")
    parser.add_argument("--quiet", action="store_true", help="no progress")
    parser.set_defaults(live=True)


def _add_logbook(commands: Any) -> None:
    parser = _add(
        commands,
        "logbook",
        None,
        "list, note, exclude, rename, export and import logged runs",
        "All focus runs ever, in one file. Nothing is ever deleted: a run can be excluded.",
    )
    actions = parser.add_subparsers(dest="action", required=True, metavar="ACTION")

    def add(name: str, what: str) -> Any:
        one = _add(actions, f"logbook {name}", f"logbook:run_{name}", what)
        add_file(one, "--logbook", metavar="FILE", help="the logbook, if it is not in its usual place")
        one.add_argument("--json", action="store_true", help=JSON_HELP)
        return one

    shown = add("list", "list the runs in order of time")
    shown.add_argument("--rig-name", metavar="NAME", help="of this rig only")
    one = add("show", "show all that is known of a run")
    one.add_argument("number", type=int, help=NUMBER)
    one.add_argument("--earlier", action="store_true", help="also what it said before it was analysed again")
    note = add("note", "write a note on a run")
    note.add_argument("number", type=int, help=NUMBER)
    note.add_argument("text", help="takes the place of the note before")
    for name, what in (
        ("exclude", "leave a run out from now on; it stays in the book"),
        ("include", "bring an excluded run back"),
    ):
        add(name, what).add_argument("number", type=int, help=NUMBER)
    other = add("rename", "give a rig or a filter another name, in all runs and those to come")
    other.add_argument("kind", choices=("rig", "filter"), help="what has the name")
    other.add_argument("old", help="its name now; - for runs without one")
    other.add_argument("new", help="its name from now on; that of another joins the two")
    out = add("export", "write the runs as CSV or ECSV")
    add_file(out, "file", type=file_to_write(".csv", ".ecsv"), help="ends in .csv or .ecsv")
    out.add_argument("--rig-name", metavar="NAME", help="of this rig only")
    into = add("import", "take runs from a CSV table")
    add_file(into, "file", help="the table")
    add_table_options(into)
    into.add_argument("--rig-name", metavar="NAME", help="rig of the runs that name none (that of the rig file)")
