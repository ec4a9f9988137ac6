"""The verdict on a run from both estimates of its best position: the sizes of its stars and their shapes."""

from __future__ import annotations

from dataclasses import replace

from focuskit.core import flags
from focuskit.curves import CurveFit, disagree, verdict_of

# The sizes of few frames give their own error only roughly, and among many runs the luckiest would be believed:
# their error has to be less than half that of the shapes. Chosen, not tuned.
_SURER = 0.5


def combine(fit: CurveFit, best_position: float, best_position_err: float) -> CurveFit:
    """Return ``fit``, that of the sizes, with the best position of the shapes where theirs is the surer one.

    Where the two differ by more than three times their common error, and by more than a quarter of the
    tolerance, the flag ``fits_disagree`` is raised and the reason says which one is believed. A failed
    run stays as it is.
    """
    if fit.best_position is None or fit.best_position_err is None or fit.method is None:
        return fit
    sizes, shapes = (fit.best_position, fit.best_position_err), (best_position, best_position_err)
    raised = list(fit.flags)
    if _SURER * best_position_err < fit.best_position_err:
        name, other, (best, err), other_err = "profile", fit.method, shapes, fit.best_position_err
        err_95: float | None = 1.96 * err
        # What the scatter of the sizes says of their own estimate does not apply to that of the shapes.
        raised = [flag for flag in raised if flag not in ("poor_fit", "unsure_position")]
    else:
        name, other, (best, err), other_err = fit.method, "profile", sizes, best_position_err
        err_95 = fit.best_position_err_95
    smaller = "is smaller than" if err < other_err else "is surer than"
    reason = f"the error of {name}, {_steps(err)}, {smaller} that of {other}, {_steps(other_err)}"
    if disagree(sizes, shapes, fit.tolerance_steps or 0.0):
        raised.append("fits_disagree")
        reason += f"; they differ by {_steps(abs(sizes[0] - shapes[0]))}, and {name} is believed for that"
    return replace(
        fit,
        verdict=verdict_of(raised),
        best_position=best,
        best_position_err=err,
        best_position_err_95=err_95,
        method=name,
        reason=reason,
        flags=flags.check(raised),
    )


def _steps(value: float) -> str:
    return f"{value:.2g} steps" if value < 10 else f"{value:.0f} steps"
