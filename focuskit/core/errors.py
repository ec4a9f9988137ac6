"""The one exception of focuskit: a single line that a user can act on."""


class FocuskitError(Exception):
    """Something in the input or the request stops the work.

    The message is one line: which file or argument, what is wrong with it,
    and what to do. The command line prints it and ends with status 1.

    Parameters
    ----------
    message : str
    argument : str, optional
        The argument of the library that helps: the command line adds the option that gives it.
    """

    def __init__(self, message: str, argument: str | None = None) -> None:
        super().__init__(message)
        self.argument = argument


def is_by_system(problem: BaseException | None) -> bool:
    """Whether the operating system caused the problem, not the content of a file: it may work the next time."""
    return isinstance(problem, MemoryError) or (isinstance(problem, OSError) and problem.errno is not None)


def failure(problem: BaseException) -> str:
    """Return what went wrong in a few printable words on one line."""
    words = (isinstance(problem, OSError) and problem.strerror) or str(problem) or type(problem).__name__
    return "".join(c if c.isprintable() else " " for c in words)[:120]
