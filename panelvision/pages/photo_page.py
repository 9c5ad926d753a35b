"""Photo to answer: photos of one set in; outline, picture, findings and symptom out."""

import json

import streamlit as st

from panelvision.errors import PanelvisionError
from panelvision.examples import Example, load_examples
from panelvision.inbox import CLIP_SUFFIXES, is_clip
from panelvision.pages import session
from panelvision.pages.change_part import change_test, tell_change
from panelvision.pages.components import bars, outline_editor, wipe
from panelvision.pages.links import go, link
from panelvision.pages.look import answer, as_written, marked_list, sketch, tell_error
from panelvision.pages.next_set import start_another
from panelvision.pages.session import STAGES, Answer, Entry
from panelvision.pages.sketches import TORCH, sketch_for
from panelvision.triage_cases import DARK
from panelvision.words import SYMPTOM_WORDS, percent

# What a phone's picker offers: photos first. HEIC is what many phones take.
# With the wildcard phones offer their camera beside the album.
PHOTO_TYPES = ["image/*", "jpg", "jpeg", "png", "webp", "heic", "heif", "avif", "tif", "tiff"]
CLIP_TYPES = [suffix[1:] for suffix in CLIP_SUFFIXES]
# chosen: what is told beside the likeliest; the others stand under "How sure".
_MOST_RIVALS = 3
_VIEWS = ("Findings", "Picture", "Corners")


def show() -> None:
    """The page."""
    on_desk = session.desk()
    if not on_desk.entries:
        _first_screen()
        return
    _tell_refused()
    st.title("What the photo shows" if len(on_desk.entries) == 1 else "What the photos show")
    progress = st.empty()
    if not on_desk.answers():
        _work_off(progress, most=1)
    _thumbnails()
    dark = [a for a in on_desk.answers() if DARK & {a.symptom, *a.record["symptom_set"]}]
    comparable = len(on_desk.answers()) >= 2 and bool(dark)
    if comparable:
        st.markdown("Two photos of one dark screen, menu open and closed? [Compare them](#change).")
    entry = on_desk.photo()
    if entry is not None:
        _one_photo(on_desk.chosen, entry)
    if comparable:
        change_test()
    found = None if entry is None else entry.answer
    _more(uploader=found is None or (found.usable and found.symptom != "not-a-screen"))
    # The answer is on screen before the next photo is begun.
    if _work_off(progress, most=1):
        st.rerun()


def _first_screen() -> None:
    st.title("Show me the faulty screen")
    st.markdown(
        "You get what it shows, the likeliest part and the next test.\n\n"
        "Set switched on, all four corners in the photo. "
        "**Dark screen?** Darken the room, open the set's menu, hold a torch to the side."
    )
    _tell_refused()
    _uploader("Take or choose photos")
    if session.desk().begun():
        st.markdown("The bench still holds what you noticed about a set; photos join it.")
        start_another()
    with st.expander("How to hold phone and torch"):
        sketch(TORCH)
        st.markdown(
            "- Phone straight in front of the screen, all four corners in the frame.\n"
            "- Torch 30 to 45° to the side and close to the glass, so that its reflection "
            "misses the lens.\n"
            "- Room dark, focus on the glass, hold still.\n"
            "- Two photos, one with the menu open and one without, say more than one."
        )
    examples = _examples()
    if examples:
        st.subheader("No set at hand? Try one of these")
        st.caption("Photos from an invented workshop, drawn by the program's own generator.")
        for row in range(0, len(examples), 2):
            for column, example in zip(st.columns(2), examples[row : row + 2], strict=False):
                with column:
                    _example_card(example)


def _example_card(example: Example) -> None:
    with st.container(border=True, key=f"example-card-{example.name}"):
        picture, words = st.columns([2, 3], vertical_alignment="center")
        with picture:
            st.image(example.read(), width="stretch", alt=f"Example photo: {example.title}")
        with words:
            st.markdown(f"**{example.title}**  \n{example.story}")
            if st.button(
                "Try this one",
                key=f"example-{example.name}",
                width="stretch",
                icon=":material/play_arrow:",
            ):
                session.desk().chosen = session.add_photo(example.name, example.read())
                st.rerun()


@st.cache_data(show_spinner=False)
def _examples() -> tuple[Example, ...]:
    try:
        return load_examples()
    except PanelvisionError:
        return ()


def _uploader(label: str) -> None:
    on_desk = session.desk()
    with st.container(key="intake"):
        files = st.file_uploader(
            label,
            type=[*PHOTO_TYPES, *CLIP_TYPES],
            accept_multiple_files=True,
            key=f"photos-{on_desk.uploads}",
            help="All photos of one set at once. Nothing leaves this machine, and nothing is "
            "kept unless you save a case.",
        )
    if not files:
        return
    on_desk.refused = []
    for file in files:
        try:
            if is_clip(file.name):
                with st.spinner("Looking through the clip"):
                    on_desk.chosen = session.add_clip(file.name, file.getvalue())
            else:
                on_desk.chosen = session.add_photo(file.name, file.getvalue())
        except PanelvisionError as fault:
            on_desk.refused.append(str(fault))
    # A fresh picker, so that the server keeps no second copy of the upload.
    on_desk.uploads += 1
    st.rerun()


def _tell_refused() -> None:
    """What of the last choice of files is not on the desk, and why; until the next choice."""
    for refusal in session.desk().refused:
        tell_error(refusal)


def _work_off(place: st.delta_generator.DeltaGenerator, *, most: int) -> bool:
    """Examine photos that wait; true when some was examined."""
    on_desk = session.desk()
    waiting = [e for e in on_desk.entries.values() if e.answer is None and not e.error]
    for entry in waiting[:most]:
        number = 1 + list(on_desk.entries.values()).index(entry)
        head = f"Photo {number} of {len(on_desk.entries)}"
        bar = place.progress(0.0, text=f"{head}: reading")

        def advance(
            stage: str,
            bar: st.delta_generator.DeltaGenerator = bar,
            head: str = head,
        ) -> None:
            if stage in STAGES:
                done, now = STAGES[stage]
                bar.progress(done, text=f"{head}: {now}")

        session.examine_entry(entry, on_stage=advance)
        place.empty()
    return bool(waiting[:most])


def _thumbnails() -> None:
    on_desk = session.desk()
    if len(on_desk.entries) < 2:
        return
    with st.container(horizontal=True, key="thumbnails"):
        for number, (key, entry) in enumerate(on_desk.entries.items(), start=1):
            with st.container(width=132, gap="small"):
                if entry.answer is not None:
                    st.image(
                        entry.answer.thumbnail, width="stretch", alt=f"Photo {number}: {entry.name}"
                    )
                chosen = key == on_desk.chosen
                mark = "▸ " if chosen else ""
                if st.button(
                    f"{mark}Photo {number}",
                    key=f"choose-{key}",
                    type="primary" if chosen else "secondary",
                    width="stretch",
                ):
                    on_desk.chosen = key
                    st.rerun()


def _one_photo(key: str, entry: Entry) -> None:
    if entry.error:
        tell_error(entry.error)
        _search_button(key, entry)
        _remove_button(key)
        return
    found = entry.answer
    if found is None:
        st.info("This photo is still waiting.", icon=":material/hourglass:")
        return
    _verdict(found)
    if not found.usable:
        if found.symptom == "glow-no-image":
            st.markdown(
                "Does no menu appear on the set? Then note that at the bench and go on there."
            )
        _uploader("Take the photo again")
        link("Bench", "Go on without a better photo")
        sketch(sketch_for(found.record["retake"], found.symptom))
    elif found.symptom == "normal":
        st.markdown(
            "Is the fault there only now and then? Add a photo taken while it shows, or go by "
            "what you notice."
        )
        link("Bench", "Go by what you notice")
    elif found.symptom == "not-a-screen":
        _uploader("Take a photo of the screen itself, switched on")
        link("Bench", "Go on without a photo")
    else:
        go("Bench", "Find the failed part", icon=":material/build:", key="to-bench")
    if key in session.desk().clips:
        tell_change(session.desk().clips[key].change, "The clip")
    _pictures(key)
    if found.findings:
        st.subheader("What is there")
        marked_list((str(i), f.sentence) for i, f in enumerate(found.findings, start=1))
    with st.expander("How sure, and what else it could be"):
        _sureness(found, key)
    with st.expander("Numbers and file, remove this photo"):
        notes = found.record.get("notes") or []
        st.markdown(
            f"{as_written(entry.name)}: {found.size[0]} x {found.size[1]} pixels, examined in "
            f"{found.record['seconds']:.1f} s."
            + "".join(f"  \n{as_written(note)}" for note in notes)
        )
        st.download_button(
            "Save the measurements (JSON)",
            json.dumps(found.record, indent=1, ensure_ascii=False),
            file_name="measurements.json",
            mime="application/json",
            on_click="ignore",
            icon=":material/download:",
        )
        _remove_button(key)


def _remove_button(key: str) -> None:
    if st.button("Remove this photo", key=f"remove-{key}", icon=":material/delete:"):
        session.remove_photo(key)
        st.rerun()


def _verdict(found: Answer) -> None:
    words = SYMPTOM_WORDS[found.symptom]
    share = percent(found.probabilities[found.symptom])
    rivals = [s for s in found.record["symptom_set"] if s != found.symptom]
    others = [f"{SYMPTOM_WORDS[s]} ({percent(found.probabilities[s])})" for s in rivals]
    more = len(others) - _MOST_RIVALS
    rest = f"; {more} less likely" if more > 0 else ""
    also = "Could also be: " + "; ".join(others[:_MOST_RIVALS]) + rest + "." if others else ""
    if found.usable:
        answer("The photo shows", _capital(words), f"{share} sure. {also}")
        return
    # What is not to be acted on is never the largest line. Its reason names the labels of files;
    # the guess and its rivals say the same in words.
    answer(
        "Not sure enough", "Can't tell from this photo", f"Best guess, {share} sure: {words}.", also
    )
    st.subheader("Take it again like this")
    marked_list((str(i), hint) for i, hint in enumerate(found.record["retake"], start=1))


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


@st.fragment
def _pictures(key: str) -> None:
    entry = session.desk().entries.get(key)
    if entry is None or entry.answer is None:
        return
    found = entry.answer
    start = "Findings" if found.found else "Corners"
    view = st.segmented_control(
        "View",
        _VIEWS,
        default=start,
        required=True,
        key=f"view-{key}",
        label_visibility="collapsed",
        width="stretch",
    )
    words = SYMPTOM_WORDS[found.symptom]
    if view == "Findings":
        said = " ".join(f.sentence for f in found.findings[:3]) or f"It shows: {words}."
        st.image(
            found.overlay, width="stretch", alt=f"The photo with its findings drawn on. {said}"
        )
        _legend(found)
    elif view == "Picture":
        strength = st.slider(
            "How strongly to bring out a faint picture", 0.0, 1.0, 0.5, 0.05, key=f"strength-{key}"
        )
        plain, enhanced = session.plain_and_enhanced(key, strength)
        wipe(
            ("plain", plain, "The screen, squared up, as the camera saw it"),
            ("brought out", enhanced, "The same screen with a faint picture brought out"),
            label="Wipe between the plain and the brought-out picture",
            key=f"wipe-{key}",
        )
        clip = session.clip_behind(key)
        if clip is not None:
            st.caption(f"Brought out of the mean of {clip.frames} frames, which has less noise.")
        st.caption("For the eye only: every measurement is made on the plain photo.")
    else:
        _corners(key, entry, found)


def _legend(found: Answer) -> None:
    if not found.found:
        st.caption("No screen was found. Set its corners by hand under Corners.")
        return
    numbers = "; the numbers belong to the sentences below" if found.findings else ""
    st.caption(f"Outline: the part of the screen that shows picture{numbers}.")


def _corners(key: str, entry: Entry, found: Answer) -> None:
    if not found.found:
        st.markdown("No screen was found. Put the corners where the picture area ends.")
    moved = outline_editor(
        found.shown,
        entry.corners or found.corners,
        found.size,
        unsure=not found.found,
        key=f"outline-{key}",
        alt="The photo with the four corners of the screen",
    )
    if moved is not None and moved != entry.corners:
        entry.corners = [[float(x), float(y)] for x, y in moved]
        entry.answer = None
        session.forget_comparisons(key)
        st.rerun()
    _search_button(key, entry)


def _search_button(key: str, entry: Entry) -> None:
    if entry.corners is not None and st.button(
        "Find the corners again", key=f"auto-{key}", icon=":material/restart_alt:"
    ):
        entry.corners, entry.answer, entry.error = None, None, ""
        session.forget_comparisons(key)
        st.rerun()


def _sureness(found: Answer, key: str) -> None:
    if found.reason:
        st.caption("The two likeliest are too close to call in this photo.")
    bars(
        found.probabilities,
        words=SYMPTOM_WORDS,
        label="How likely each symptom is",
        key=f"sure-{key}",
        most=max(6, len(found.record["symptom_set"])),
    )
    st.caption(
        "The percentages were set on drawn photos, where they came out as said: of those that say "
        "70 %, about 70 in a hundred are so. On real photos it is right less often, so take it "
        "as a hint and look at the picture yourself."
    )


def _more(*, uploader: bool) -> None:
    if uploader:
        st.subheader("Same set, another photo")
        _uploader("Add photos of the same set")
    with st.container(horizontal=True):
        link("Report", "Write the report")
        link("Cases", "Save as a case")
        start_another()
