"""Progress goes to standard error, and only when the work is long."""

import logging
import re
import time

from simkit.waiting import Waiting


def test_short_work_says_nothing(capsys):
    with Waiting("predicting"):
        pass
    assert capsys.readouterr() == ("", "")


def test_long_work_says_what_it_does_and_since_when_on_standard_error(capsys):
    with Waiting("predicting", silent_s=0.05, every_s=0.05):
        time.sleep(0.25)
        logging.getLogger("simkit.body").info("meshing at %.1f mm", 4.0)
        time.sleep(0.25)
    out, err = capsys.readouterr()
    assert out == ""
    lines = err.splitlines()
    assert re.fullmatch(r"simkit: predicting \.\.\. \d+ s", lines[0])
    assert re.fullmatch(r"simkit: meshing at 4\.0 mm \.\.\. \d+ s", lines[-1])


def test_it_leaves_logging_as_it_was():
    logger = logging.getLogger("simkit")
    before = (logger.level, list(logger.handlers))
    with Waiting("predicting"):
        pass
    assert (logger.level, list(logger.handlers)) == before
