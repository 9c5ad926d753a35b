"""How often the first suspect was right, with its uncertainty, as words and as two plots."""

import altair as alt
import pandas as pd
import streamlit as st

from panelvision.cases.accuracy import Accuracy, HitRate
from panelvision.cases.shop import has_store
from panelvision.pages import session
from panelvision.pages.look import answer
from panelvision.words import SYMPTOM_WORDS, percent


def show_accuracy() -> None:
    """Words first, then shares by symptom and the calibration of the probabilities."""
    if not has_store():
        st.markdown("No case has been closed yet. Every closed case sharpens the advice.")
        return
    found = session.case_store().accuracy()
    if not found.judged:
        st.markdown(
            "No closed case with advice yet. Close cases with what they turned out to be, "
            "and this page shows how often the advice was right."
        )
        return
    first, two = found.overall.first, found.overall.first_two
    cases = "1 closed case" if found.judged == 1 else f"{found.judged} closed cases"
    answer(
        f"{cases} with advice",
        f"First suspect right in {first.hits} of {first.cases}",
        f"First or second: {two.hits} of {two.cases}.",
        f"In the long run it is somewhere from {_range(first)}; more closed cases narrow that.",
    )
    _by_symptom(found)
    _calibration(found)


def _range(rate: HitRate) -> str:
    if rate.low is None or rate.high is None:
        return "an unknown share"
    return f"{percent(rate.low)} to {percent(rate.high)}"


def _by_symptom(found: Accuracy) -> None:
    rows = [
        {
            "symptom": SYMPTOM_WORDS.get(name, "no photo"),
            "right": score.first.rate,
            "low": score.first.low,
            "high": score.first.high,
            "cases": score.first.cases,
        }
        for name, score in found.by_symptom.items()
        if score.first.rate is not None
    ]
    if not rows:
        return
    st.subheader("By what the screen showed")
    table = pd.DataFrame(rows)
    y = alt.Y("symptom:N", title=None, sort="-x", axis=alt.Axis(labelLimit=170, labelFontSize=14))
    axis = alt.Axis(format="%", labelFontSize=14, titleFontSize=14)
    scale = alt.Scale(domain=[0, 1])
    base = alt.Chart(table).encode(y=y)
    spread = base.mark_rule(strokeWidth=3).encode(
        x=alt.X("low:Q", title="first suspect right", axis=axis, scale=scale), x2="high:Q"
    )
    point = base.mark_point(filled=True, size=140).encode(
        x=alt.X("right:Q", scale=scale), tooltip=["symptom", "cases"]
    )
    # Room for the buttons that Streamlit lays above a plot on a phone.
    st.space("medium")
    st.altair_chart(
        (spread + point).properties(height=60 + 44 * len(rows)),
        width="stretch",
        alt="Share of cases with the right first suspect, by symptom, with 95 % intervals",
    )
    for name, score in found.by_symptom.items():
        st.markdown(
            f"- {SYMPTOM_WORDS.get(name, 'no photo')}: right in "
            f"{score.first.hits} of {score.first.cases}"
        )
    st.caption("The line shows how far the share may be off with so few cases (95 % interval).")


def _calibration(found: Accuracy) -> None:
    if found.calibration is None:
        return
    st.subheader("Could the percentages be believed?")
    doubt = "" if found.calibration.believable else " That is more than chance explains."
    st.markdown(
        f"What was said and what was so differ by {percent(found.calibration.error)} on average; "
        "with so few cases even perfect percentages would differ by "
        f"{percent(found.calibration.error_if_perfect)}.{doubt}"
    )
    table = pd.DataFrame(
        {"said": b.mean_probability, "true": b.share_right, "cases": b.cases}
        for b in found.calibration.bins
    )
    axis = alt.Axis(format="%", labelFontSize=14, titleFontSize=14)
    scale = alt.Scale(domain=[0, 1])
    points = (
        alt.Chart(table)
        .mark_point(filled=True)
        .encode(
            x=alt.X("said:Q", title="first suspect was said to be", axis=axis, scale=scale),
            y=alt.Y("true:Q", title="and was right in", axis=axis, scale=scale),
            size=alt.Size("cases:Q", legend=None, scale=alt.Scale(range=[80, 500])),
        )
    )
    line = (
        alt.Chart(pd.DataFrame({"said": [0, 1], "true": [0, 1]}))
        .mark_line(strokeDash=[4, 6])
        .encode(x="said:Q", y="true:Q")
    )
    # Room for the buttons that Streamlit lays above a plot on a phone.
    st.space("medium")
    st.altair_chart(
        (line + points).properties(height=320),
        width="stretch",
        alt="How often the first suspect was right against the probability that was given for it",
    )
