"""Every subject that has rules."""

from __future__ import annotations

from calc.doubts.build_rules import BUILD
from calc.doubts.failure_rules import FAILURE
from calc.doubts.log_rules import LOG
from calc.doubts.reading_rules import READING
from calc.doubts.session_rules import SESSION
from calc.doubts.timing_rules import TIMED_PASS

SUBJECTS = {subject.name: subject for subject in (BUILD, SESSION, TIMED_PASS, READING, FAILURE, LOG)}
