"""The commands: a line each, and the module that knows the rest, imported only when it is asked for."""

from typing import NamedTuple


class Command(NamedTuple):
    """A command's name, the module in `drymon.cli` with its `register` and `run`, its line in the help."""

    name: str
    module: str
    summary: str


COMMANDS: tuple[Command, ...] = (
    Command("init", "setup", "make a home folder with a commented room.toml"),
    Command("demo", "demo", "the whole tool on a recorded stream, sped up"),
    Command("serve", "serve", "listen, record, judge, publish, alert, show the page"),
    Command("page", "page", "all rooms on one page"),
    Command("replay", "replay", "play recorded streams through the same path"),
    Command("status", "status", "what holds now: trees, racks, sensors"),
    Command("check", "check", "what is wrong with this home and what to do about it"),
    Command("dip", "event_words", "a coat was put on a tree"),
    Command("weigh", "event_words", "a tree was weighed on a bench scale"),
    Command("felt", "event_words", "a tree felt wet or dry to the touch"),
    Command("spot", "spot", "a tree's surface temperature by a hand-held thermometer"),
    Command("look", "event_words", "somebody looked at a tree that is on hold"),
    Command("move", "event_words", "a tree hangs on another rack now"),
    Command("leave", "event_words", "a tree left the room"),
    Command("undo", "event_words", "take back what was said last of a tree"),
    Command("fan", "event_words", "a rack's fans were switched"),
    Command("slurry", "slurry_words", "the tanks: log a check, or see what holds"),
    Command("plan", "plan", "what to dip now, next and later"),
    Command("recipe", "recipe", "recipes checked, and one suggested for a piece"),
    Command("fit", "fit", "learn coat models from this home's weighed drying"),
    Command("jobs", "jobs", "fits and replays of many rooms, beside each other"),
    Command("runs", "runs", "the weighed runs that models are learnt from"),
    Command("calibrate", "calibrate", "load cell, humidity and airflow sensors against references"),
    Command("plot", "plot", "draw a rack's air, a tree's drying, the room, a coat model"),
    Command("report", "report", "a tree's record to keep: one HTML file and a PDF"),
    Command("labels", "labels", "labels with QR codes for trees and racks"),
    Command("user", "user", "who may sign in to the page: add, remove, list, password"),
    Command("export", "export", "readings, log, verdicts, alarms as CSV, or a recorded stream"),
    Command("alarms", "alarms", "what stands; acknowledge, shelve, take out of service"),
    Command("notify", "notify", "who is told, whether it works, what waits"),
    Command("backup", "backup", "copy the home's database and configuration while the service runs"),
    Command("restore", "backup", "put a backup back into a home"),
)
