"""Exit codes and the few exceptions: each message says what is wrong, where, and what to do next."""

from __future__ import annotations

from enum import IntEnum


class ExitCode(IntEnum):
    """How the program ends; an interface that scripts may rely on. Never 1: Python and the shell use that."""

    FINISHED = 0
    BAD_USE = 2
    NO_FRAMES = 3
    CALIBRATION_MISFIT = 4
    TOO_DOUBTFUL = 5
    PROGRAM_MISSING = 6
    OUR_BUG = 70
    INTERRUPTED = 130


EXIT_MEANING: dict[ExitCode, str] = {
    ExitCode.FINISHED: "finished",
    ExitCode.BAD_USE: "a command, option or file of the user's is wrong",
    ExitCode.NO_FRAMES: "there are no readable frames",
    ExitCode.CALIBRATION_MISFIT: "the calibration does not fit the frames",
    ExitCode.TOO_DOUBTFUL: "finished, but too much is doubtful (only with --strict)",
    ExitCode.PROGRAM_MISSING: "an outside program or system library is missing",
    ExitCode.OUR_BUG: "a fault in frametally itself",
    ExitCode.INTERRUPTED: "stopped with Ctrl-C; run the same command again to go on",
}


class FrametallyError(Exception):
    """An error the user can do something about."""

    exit_code = ExitCode.BAD_USE


class BadInput(FrametallyError):
    """A file or an option of the user's is wrong."""


class NoFrames(FrametallyError):
    """There is nothing to read."""

    exit_code = ExitCode.NO_FRAMES


class CalibrationMisfit(FrametallyError):
    """The calibration belongs to other frames."""

    exit_code = ExitCode.CALIBRATION_MISFIT


class TooDoubtful(FrametallyError):
    """The run finished, but too many readings are doubtful."""

    exit_code = ExitCode.TOO_DOUBTFUL


class ProgramMissing(FrametallyError):
    """An outside program or system library is missing."""

    exit_code = ExitCode.PROGRAM_MISSING


class NightsFailed(FrametallyError):
    """Of the nights of one job some did not end well; the exit code is that of the worst."""

    def __init__(self, text: str, exit_code: ExitCode) -> None:
        super().__init__(text)
        self.exit_code = exit_code


class BadFrame(Exception):
    """One frame's file cannot be used; the run goes on with a row flagged no_frame. The text says why."""
