"""Numbers about thin lines for the classifier, the same for columns and rows."""

import numpy as np

from panelvision.measure.lines import Line


def line_features(lines: tuple[Line, ...], prefix: str) -> dict[str, float]:
    """Scores of the best lines and what the best one looks like; NaN where there is none."""
    by_score = sorted(lines, key=lambda line: -line.score)
    scores = [line.score for line in by_score[:3]] + [0.0] * 3
    best = by_score[0] if by_score else None
    sure = [line for line in lines if line.reported]
    by_rule = sorted((line.by_rule for line in lines), reverse=True) + [0.0]
    nan = float("nan")
    return {
        f"{prefix}_line_score_1": scores[0],
        f"{prefix}_line_score_2": scores[1],
        f"{prefix}_line_score_3": scores[2],
        f"{prefix}_line_by_rule": by_rule[0],
        f"{prefix}_lines": float(np.log1p(len(sure))),
        f"{prefix}_line_contrast": best.contrast if best else 0.0,
        f"{prefix}_line_hits": best.hits if best else 0.0,
        f"{prefix}_line_continuity": best.continuity if best else nan,
        f"{prefix}_line_agreement": best.agreement if best else nan,
        f"{prefix}_line_length": best.end - best.start if best else 0.0,
        f"{prefix}_line_coloured": float(
            np.mean([line.colour not in ("white", "black") for line in sure])
        )
        if sure
        else 0.0,
    }
