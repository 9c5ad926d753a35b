"""The report for the customer and the file: one self-contained page, made to be printed too."""

import base64
import html
import io
from dataclasses import dataclass

from PIL import Image

# Pictures are at most this wide in a report: sharp on paper at 17 cm (180 pixels per inch).
PICTURE_WIDTH = 1200

LIMITS: tuple[str, ...] = (
    "This statement rests on photographs of the screen, and on the observations and tests listed "
    "above. A photograph shows the screen from outside; percentages are estimates, not promises.",
    "A fault that comes and goes, a second fault behind the first, or one that the photographs "
    "could not show may be missing here.",
    "It says nothing about the electrical condition of the set beyond the tests listed.",
)
HOUSE_CAUTION = (
    "Please do not open the set: parts inside can hold dangerous voltage after it is unplugged. "
    "Work on mains-powered equipment belongs to trained and licensed people."
)


@dataclass(frozen=True)
class ReportPhoto:
    """One photo in the report.

    Attributes
    ----------
    overlay : bytes
        JPEG or PNG of the photo, with its findings drawn on if it has any; metadata is dropped.
    enhanced : bytes or None
        The squared-up screen with its dark parts brought out; None where no screen was found.
    headline : str
        What it shows, in words.
    sentences : tuple of str
        Its findings.
    brought_out : str
        What the enhanced picture shows, in words.
    """

    overlay: bytes
    enhanced: bytes | None
    headline: str
    sentences: tuple[str, ...]
    brought_out: str = "dark parts brought out"


@dataclass(frozen=True)
class Report:
    """Everything a report says; every text is plain text.

    Attributes
    ----------
    shop, contact : str
        Who writes; may be empty.
    customer, set_label, case_number : str
        Whose set, which set, which case; may be empty.
    date : str
        Day of the report, as it is to be printed.
    photos : tuple of ReportPhoto
    tested : tuple of (str, str)
        What was observed or tested, and what came out.
    verdict : str
        One line.
    reasons : tuple of str
        Sentences under the verdict.
    prices : tuple of (str, str)
        Item and amount with currency.
    cautions : tuple of str
    """

    shop: str
    contact: str
    customer: str
    set_label: str
    case_number: str
    date: str
    photos: tuple[ReportPhoto, ...]
    tested: tuple[tuple[str, str], ...]
    verdict: str
    reasons: tuple[str, ...]
    prices: tuple[tuple[str, str], ...]
    cautions: tuple[str, ...] = (HOUSE_CAUTION,)
    limits: tuple[str, ...] = LIMITS

    @property
    def title(self) -> str:
        """Heading of the report."""
        return (
            f"Report on a television: {self.set_label}"
            if self.set_label
            else ("Report on a television")
        )

    @property
    def heading(self) -> tuple[tuple[str, str], ...]:
        """The lines under the title that have something to say."""
        rows = (
            ("Customer", self.customer),
            ("Set", self.set_label),
            ("Case", self.case_number),
            ("Date", self.date),
        )
        return tuple((name, value) for name, value in rows if value)


def plain_jpeg(picture: bytes, *, width: int = PICTURE_WIDTH) -> bytes:
    """The picture's pixels alone as JPEG: no location, device or other metadata."""
    with Image.open(io.BytesIO(picture)) as opened:
        pixels = opened.convert("RGB")
    if pixels.width > width:
        height = max(1, round(pixels.height * width / pixels.width))
        pixels = pixels.resize((width, height), Image.Resampling.LANCZOS)
    out = io.BytesIO()
    # A new image carries nothing over from the one it was decoded from.
    clean = Image.new("RGB", pixels.size)
    clean.paste(pixels)
    clean.save(out, "JPEG", quality=85)
    return out.getvalue()


def report_html(report: Report) -> str:
    """The report as one HTML file that needs nothing beside it and runs no script."""
    say = html.escape
    head = "".join(f"<dt>{say(n)}</dt><dd>{say(v)}</dd>" for n, v in report.heading)
    photos = "".join(_photo(i, p) for i, p in enumerate(report.photos, start=1))
    tested = "".join(f"<tr><td>{say(a)}</td><td>{say(b)}</td></tr>" for a, b in report.tested)
    prices = "".join(
        f'<tr><td>{say(a)}</td><td class="amount">{say(b)}</td></tr>' for a, b in report.prices
    )
    shop = f'<p class="shop">{say(report.shop)}</p>' if report.shop else ""
    contact = f'<p class="contact">{say(report.contact)}</p>' if report.contact else ""
    items = "".join(f"<li>{say(text)}</li>" for text in report.cautions)
    # Ahead of the verdict, which may be that a part inside is to be replaced.
    caution = f'<section class="caution"><h2>Caution</h2><ul>{items}</ul></section>'
    parts = [
        f'<header>{shop}{contact}<h1>{say(report.title)}</h1><dl class="head">{head}</dl></header>',
        caution if report.cautions else "",
        f'<section class="verdict"><h2>Verdict</h2><p class="big">{say(report.verdict)}</p>'
        + "".join(f"<p>{say(line)}</p>" for line in report.reasons)
        + "</section>",
    ]
    if prices:
        parts.append(f"<section><h2>Price</h2><table>{prices}</table></section>")
    if photos:
        parts.append(f"<section><h2>What the photos show</h2>{photos}</section>")
    if tested:
        parts.append(
            "<section><h2>What was seen and tested</h2><table><thead><tr><th>Observation or test"
            f"</th><th>Outcome</th></tr></thead><tbody>{tested}</tbody></table></section>"
        )
    limits = "".join(f"<p>{say(text)}</p>" for text in report.limits)
    parts.append(f'<section class="limits"><h2>Limits of this statement</h2>{limits}</section>')
    return _PAGE.format(title=say(report.title), style=_STYLE, body="\n".join(parts))


def _photo(number: int, photo: ReportPhoto) -> str:
    said = html.escape(photo.headline)
    found = "".join(f"<li>{html.escape(s)}</li>" for s in photo.sentences)
    drawn = " with its findings drawn on" if photo.sentences else ""
    figure = _figure(photo.overlay, f"Photo {number}{drawn}: {photo.headline}")
    second = ""
    if photo.enhanced is not None:
        second = _figure(
            photo.enhanced, f"Screen of photo {number}, squared up, {photo.brought_out}"
        )
    return (
        f'<article><h3>Photo {number}: {said}</h3><div class="pair">{figure}{second}</div>'
        f"<ol>{found}</ol></article>"
    )


def _figure(picture: bytes, words: str) -> str:
    data = base64.b64encode(plain_jpeg(picture)).decode("ascii")
    alt = html.escape(words, quote=True)
    return (
        f'<figure><img src="data:image/jpeg;base64,{data}" alt="{alt}">'
        f"<figcaption>{html.escape(words)}</figcaption></figure>"
    )


_STYLE = """
:root{color-scheme:light}
*{box-sizing:border-box}
body{margin:0 auto;max-width:46rem;padding:1.5rem 1.1rem 3rem;color:#1d2227;background:#fff;
font:17px/1.5 system-ui,"Segoe UI",Roboto,"Helvetica Neue",sans-serif}
h1{font-size:1.6rem;line-height:1.2;margin:.2rem 0 1rem}
h2{font-size:1.2rem;margin:1.8rem 0 .5rem;border-bottom:2px solid #8a5200;padding-bottom:.2rem}
h3{font-size:1.05rem;margin:1rem 0 .4rem}
.shop{font-weight:700;font-size:1.15rem;margin:0}.contact{margin:0 0 1rem}
dl.head{display:grid;grid-template-columns:max-content 1fr;gap:.2rem 1.2rem;margin:0}
dt{color:#555}dd{margin:0;overflow-wrap:anywhere}
.verdict .big{font-size:1.3rem;font-weight:700;margin:.3rem 0}
table{border-collapse:collapse;width:100%}
td,th{text-align:left;vertical-align:top;padding:.4rem .6rem .4rem 0;border-bottom:1px solid #ccc}
.amount{text-align:right;white-space:nowrap;font-variant-numeric:tabular-nums}
figure{margin:.4rem 0;break-inside:avoid}img{max-width:100%;height:auto;border:1px solid #999}
figcaption{font-size:.9rem;color:#444}
.caution{border:3px solid #8a5200;padding:.1rem 1rem .6rem;margin-top:1.6rem;break-inside:avoid}
.caution h2{border:0;margin-top:.6rem}
.limits{font-size:.95rem}
article{break-inside:avoid}
@page{size:A4;margin:18mm}
@media print{body{max-width:none;padding:0;font-size:11pt}h2{break-after:avoid}
img{max-height:9.5cm;width:auto}}
"""
_PAGE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width,initial-scale=1">
<meta name="referrer" content="no-referrer">
<meta http-equiv="Content-Security-Policy"
 content="default-src 'none'; img-src data:; style-src 'unsafe-inline'">
<title>{title}</title><style>{style}</style></head>
<body>
{body}
</body></html>
"""
