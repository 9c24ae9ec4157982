"""What processes of this program send each other: one JSON object a message.

A stage's progress is {"stage", "done", "total"}; what is known before the end {"result": {...}};
the end of a job {"end": "done"}; a fault that a person can mend {"problem": {"what", "where",
"remedy", "status", "kind"}}; all else is between the two that use it.
"""

from __future__ import annotations

import json
from typing import Any

from calibration.errors import FILM, Problem, kind_name, kind_of_name


def message_text(**fields: Any) -> str:
    """One message as JSON."""
    return json.dumps(fields)


def problem_fields(problem: Problem) -> dict[str, Any]:
    """The field `problem` of a message."""
    return {
        "what": problem.what,
        "where": problem.where,
        "remedy": problem.remedy,
        "status": problem.status,
        "kind": kind_name(problem),
    }


def problem_of(fields: dict[str, Any]) -> Problem:
    """The problem that a message holds. Raises KeyError where it holds none."""
    return kind_of_name(str(fields.get("kind", "")))(
        str(fields["what"]),
        where=str(fields["where"]),
        remedy=str(fields["remedy"]),
        status=int(fields.get("status", FILM)),
    )
