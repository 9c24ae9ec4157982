"""What the form calls the entries of a record; errors shown in the form use the same words."""

from __future__ import annotations

from collections.abc import Sequence

Path = Sequence[str | int]

NAMED = frozenset({"vehicles", "cameras", "markers", "points", "survey", "picks", "channels"})
"""Tables of the record whose entries have names of their own."""

GROUPS = {
    "vehicles": "vehicle",
    "cameras": "camera",
    "markers": "marker",
    "points": "point",
    "survey": "fixed target",
    "picks": "pick of",
    "channels": "channel",
    "accelerometers": "accelerometers",
    "scale": "scale bar",
    "straight": "straight line",
    "edits": "correction",
    "ruled_out": "span ruled out",
    "events": "event",
    "more": "later pick",
    "rest": "place of rest",
    "joint": "joint",
    "wheel": "wheel",
    "outline": "outline",
    "article": "test article",
    "report": "report",
    "cushion": "crush cushion",
    "timing_light": "timing light",
}
"""How an entry of a table, or the table itself, is called before what lies in it."""

LABELS = {
    "schema": "Version of the record",
    "test.number": "Number",
    "test.title": "Title",
    "test.date": "Date",
    "test.criteria": "Criteria",
    "test.device": "Device tested",
    "test.decision": "Decision rule",
    "test.report_units": "Units of reports",
    "test.intended.speed": "Intended speed",
    "test.intended.angle": "Intended angle",
    "test.intended.offset": "Intended offset, + right",
    "test.speed_trap.speed": "Speed trap",
    "test.speed_trap.u": "Standard uncertainty of the speed trap",
    "test.photographs": "Photographs of the report at",
    "test.slow_motion": "Marked films slower than life by",
    "test.events.*.time": "Time",
    "test.events.*.text": "What happened",
    "test.events.*.sets": "Sets the loss of contact",
    "test.events.*.vehicle": "Of vehicle",
    "test.events.*.u": "Standard uncertainty of the time",
    "test.report.laboratory": "Laboratory",
    "test.report.address": "Address",
    "test.report.client": "Client",
    "test.report.article": "Article tested",
    "test.report.site": "Site",
    "test.report.number": "Report number",
    "test.report.revision": "Revision",
    "test.report.issued": "Issued on",
    "test.report.analysed_by": "Analysed by",
    "test.report.checked_by": "Checked by",
    "test.report.approved_by": "Approved by",
    "test.report.weather": "Weather",
    "test.report.method": "Method",
    "test.report.deviations": "Deviations from the method",
    "vehicles.*.role": "Role",
    "vehicles.*.mass": "Test inertial mass",
    "vehicles.*.mass_u": "Standard uncertainty of the mass",
    "vehicles.*.cg": "Centre of gravity x, y, z",
    "vehicles.*.cg_u": "Standard uncertainty of the centre of gravity",
    "vehicles.*.axes_u": "Standard uncertainty of its axes",
    "vehicles.*.flail": "Flail distance along, across",
    "vehicles.*.markers.*.at": "Surveyed at x, y, z",
    "vehicles.*.markers.*.u": "Standard uncertainty",
    "vehicles.*.markers.*.rigid": "On a rigid part",
    "vehicles.*.markers.*.pattern": "Pattern",
    "vehicles.*.markers.*.size": "Size",
    "vehicles.*.points.*": "At x, y, z",
    "vehicles.*.at_contact": "Planned place at contact x, y, z",
    "vehicles.*.kind": "Kind of vehicle",
    "vehicles.*.outline.length": "Length",
    "vehicles.*.outline.width": "Width",
    "vehicles.*.outline.front": "Foremost place, x",
    "vehicles.*.outline.height": "Height",
    "vehicles.*.wheels": "Points where its wheels stand",
    "vehicles.*.rest.at": "At x, y",
    "vehicles.*.rest.u": "Standard uncertainty of the place",
    "vehicles.*.rest.heading": "Heading",
    "vehicles.*.rest.heading_u": "Standard uncertainty of the heading",
    "vehicles.*.rest.camera": "Photographed by camera",
    "vehicles.*.rest.picks.*": "Pick u, v",
    "vehicles.*.rest.pick_u": "Standard uncertainty of the picks",
    "vehicles.*.joint.to": "Hangs on vehicle",
    "vehicles.*.joint.at": "There at x, y, z",
    "vehicles.*.joint.own": "On itself at x, y, z",
    "vehicles.*.joint.u": "Standard uncertainty",
    "vehicles.*.wheel.of": "Wheel of vehicle",
    "vehicles.*.wheel.hub": "Hub at x, y, z",
    "survey.ground_u": "Standard uncertainty of fixed targets",
    "survey.marker_u": "Standard uncertainty of vehicle markers",
    "survey.instrument": "Measured with",
    "survey.scale_u": "Standard uncertainty of its scale",
    "survey.datum_u": "Standard uncertainty of its direction",
    "cushion.length": "Length before the test",
    "cushion.length_u": "Standard uncertainty of the length",
    "cushion.front_crush": "Of the closing, the striking vehicle's front took",
    "cushion.front_crush_u": "Standard uncertainty of the front's share",
    "accelerometers.*.vehicle": "On vehicle",
    "accelerometers.*.at": "At x, y, z, vehicle axes",
    "accelerometers.*.name": "Name",
    "accelerometers.*.primary": "Its figures judge the vehicle",
    "accelerometers.*.file": "File",
    "accelerometers.*.time.column": "Time column",
    "accelerometers.*.time.unit": "Unit of the time",
    "accelerometers.*.channels.*.column": "Column",
    "accelerometers.*.channels.*.file": "File of its own",
    "accelerometers.*.channels.*.unit": "Unit",
    "accelerometers.*.channels.*.polarity": "Polarity",
    "accelerometers.*.full_scale": "Full scale",
    "article.kind": "Kind",
    "article.width": "Width",
    "article.traffic_face": "Traffic face at y",
    "article.heading": "Heading",
    "article.side": "Side",
    "article.length_of_need_begin": "Length of need begins at x",
    "article.length_of_need_end": "Length of need ends at x",
    "article.markers.*.at": "Surveyed at x, y, z",
    "article.markers.*.u": "Standard uncertainty",
    "article.markers.*.pattern": "Pattern",
    "article.markers.*.size": "Size",
    "article.markers.*.detached_at": "Detached at",
    "article.markers.*.rise_u": "How far it may rise or fall",
    "cameras.*.film": "Film",
    "cameras.*.frame_rate": "Frame rate while filming",
    "cameras.*.exposure": "Exposure",
    "cameras.*.bits": "Significant bits",
    "cameras.*.position": "Rough place x, y, z",
    "cameras.*.aim": "Aimed at x, y, z",
    "cameras.*.size": "Picture's width and height",
    "cameras.*.lens.camera_matrix": "Lens by numbers: fx, fy, cx, cy",
    "cameras.*.lens.distortion": "its k1, k2, p1, p2, k3",
    "cameras.*.lens.u.focal": "Standard uncertainty of the focal length",
    "cameras.*.lens.u.centre": "Standard uncertainty of the principal point",
    "cameras.*.lens.u.distortion": "Standard uncertainties of k1, k2, p1, p2, k3",
    "cameras.*.lens.chessboard": "or pictures of a chessboard",
    "cameras.*.lens.inner_corners": "its inner corners",
    "cameras.*.lens.square": "its squares",
    "cameras.*.lens.marker": "markers in its squares",
    "cameras.*.lens.dictionary": "dictionary of the markers",
    "cameras.*.lens.dots": "or pictures of a board of discs",
    "cameras.*.lens.grid": "discs in a row, rows",
    "cameras.*.lens.spacing": "spacing of the discs",
    "cameras.*.lens.file": "or a file of a calibration before",
    "cameras.*.lens.date": "Lens calibrated on",
    "cameras.*.scale.*.pixels": "Its two ends",
    "cameras.*.scale.*.frame": "Frame",
    "cameras.*.scale.*.length": "Known length",
    "cameras.*.scale.*.along": "Along ground axis",
    "cameras.*.scale.*.depth": "Distance of the plane of motion",
    "cameras.*.scale.*.on": "On the vehicle",
    "cameras.*.scale.*.plane": "Plane stands at",
    "cameras.*.straight.*.pixels": "Places on it",
    "cameras.*.straight.*.frame": "Frame",
    "cameras.*.time.zero": "Time zero",
    "cameras.*.time.flash_region": "Flash: u, v, width, height",
    "cameras.*.time.timing_light.region": "Timing light: u, v, width, height",
    "cameras.*.time.timing_light.rate": "Timing light blinks at",
    "cameras.*.time.timing_light.duty": "Timing light is lit for this share",
    "cameras.*.time.gamma": "Exponent of grey over light",
    "cameras.*.time.flash_lag": "From contact to the flash",
    "cameras.*.time.flash_lag_u": "Standard uncertainty of that",
    "cameras.*.edits.*.mark": "Mark",
    "cameras.*.edits.*.frame": "Frame",
    "cameras.*.edits.*.pixel": "Place u, v",
    "cameras.*.ruled_out.*.mark": "Mark",
    "cameras.*.ruled_out.*.first": "From frame",
    "cameras.*.ruled_out.*.last": "To frame",
    "cameras.*.survey.*.at": "Surveyed at x, y, z",
    "cameras.*.survey.*.frame": "Frame",
    "cameras.*.survey.*.pattern": "Pattern",
    "cameras.*.survey.*.size": "Size",
    "cameras.*.survey.*.pixel": "Pick u, v",
    "cameras.*.picks.*.pixel": "Pick u, v",
    "cameras.*.picks.*.frame": "Frame",
    "cameras.*.picks.*.more.*.pixel": "Pick u, v",
    "cameras.*.picks.*.more.*.frame": "Frame",
}
"""The label of every entry of a record; `*` stands for a name or for a place in a list."""


def has_own_name(path: Path, at: int) -> bool:
    """Whether this part of a key path is a name that the user chose, or a place in a list."""
    if isinstance(path[at], int):
        return True
    if at == 0 or path[at - 1] not in NAMED or has_own_name(path, at - 1):
        return False
    return at > 1 or path[0] != "survey"  # the survey's own table has no names in it


def label(path: Path) -> str | None:
    """The label of an entry; None where the form knows none."""
    parts = ["*" if has_own_name(path, at) else str(part) for at, part in enumerate(path)]
    return LABELS.get(".".join(parts))


def place(path: Path) -> str:
    """Where an entry is, as the form shows it: "Camera side, fixed target g1: Pick u, v"."""
    own = label(path)
    groups = list(path) if own is None else list(path[:-1])
    words = []
    for at, part in enumerate(groups):
        if has_own_name(path, at):
            group = GROUPS.get(str(path[at - 1]), "entry") if at else "entry"
            words.append(f"{group} {part + 1 if isinstance(part, int) else part}")
        elif at + 1 < len(path) and has_own_name(path, at + 1):
            continue
        elif part == "survey":
            words.append("survey")  # the table of what all coordinates share
        elif str(part) in GROUPS:
            words.append(GROUPS[str(part)])
    if own is None and not words:
        return "The record"
    if own is not None and path[-2:-1] == ["points"]:
        words.append(f"point {path[-1]}")
    text = ", ".join(words)
    text = text[:1].upper() + text[1:]
    return text if own is None else f"{text}: {own}" if text else own
