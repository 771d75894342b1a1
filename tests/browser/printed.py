"""Prints the pages of the demo and reads the PDF back, word by word.

What has to be so of every document: the paper's size, the title and the number of the
page on each page, type of the size that the style sheet asks for (a browser shrinks a
page that is too wide), no word beyond the margins, no heading last on its page. Of some:
the evidence of a point on two pages at most, the page to sign, the annex behind it.

Documents that are wrong on purpose come first: each has to be found out.
"""

import html
import json
import pathlib
import re
import shutil
import subprocess
import sys
import tempfile

import pdfplumber

PROGRAM, WORK, CHROMIUM = sys.argv[1:4]
WORK = pathlib.Path(WORK)
PAPER_PT = {"A4": (595.28, 841.89), "Letter": (612.0, 792.0)}
MM = 72 / 25.4
MARGIN_PT = {"left": 14 * MM, "right": 14 * MM, "top": 18 * MM, "bottom": 16 * MM}
BODY_PT, TABLE_PT = 9.0, 7.5


def spanhold(*arguments, codes=(0,)):
    done = subprocess.run([PROGRAM, *map(str, arguments)], capture_output=True, text=True)
    assert done.returncode in codes, (arguments, done.returncode, done.stderr)
    return done.stdout


def printed(page, paper):
    """The words of each page of a document, top to bottom; each line a list."""
    pdf = page.with_name(f"{page.stem}-{paper}.pdf")
    sized = page.with_name(f"{page.stem}-{paper}.html")
    text = page.read_text(encoding="utf-8")
    sized.write_text(text.replace("</style>", f"@page {{ size: {paper}; }}</style>", 1), encoding="utf-8")
    with tempfile.TemporaryDirectory() as profile:
        subprocess.run(
            [CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
             "--disable-background-networking", "--disable-component-update", "--disable-sync",
             f"--user-data-dir={profile}", "--no-pdf-header-footer", f"--print-to-pdf={pdf}",
             sized.resolve().as_uri()],
            check=True, capture_output=True, timeout=120)
    with pdfplumber.open(pdf) as document:
        return [(sheet.width, sheet.height,
                 sheet.extract_words(extra_attrs=["size"], use_text_flow=False)) for sheet in document.pages]


def lines(words):
    """Words in lines: what stands at one height, of which the text is joined."""
    rows = []
    for word in sorted(words, key=lambda word: (round(word["bottom"]), word["x0"])):
        if rows and abs(rows[-1][0]["bottom"] - word["bottom"]) < 2.5:
            rows[-1].append(word)
        else:
            rows.append([word])
    return [sorted(row, key=lambda word: word["x0"]) for row in rows]


def said(line):
    return " ".join(word["text"] for word in line)


def squeezed(text):
    return re.sub(r"\s+", "", text)


def faults(source, sheets, paper, header):
    """Whatever is not as it has to be of any document."""
    found = []
    text = source.read_text(encoding="utf-8")
    headings = [squeezed(html.unescape(re.sub("<[^>]*>", "", inner)))
                for _, inner in re.findall(r"<h([234])[^>]*>(.*?)</h\1>", text, re.S)]
    sizes = []
    for number, (width, height, words) in enumerate(sheets, 1):
        where = f"{source.name}, {paper}, page {number}"
        if abs(width - PAPER_PT[paper][0]) > 1 or abs(height - PAPER_PT[paper][1]) > 1:
            found.append(f"{where}: {width} by {height} pt")
        at_head = said([w for w in words if w["bottom"] < MARGIN_PT["top"] - 2])
        at_foot = said([w for w in words if w["top"] > height - MARGIN_PT["bottom"] + 2])
        if squeezed(header) not in squeezed(at_head):
            found.append(f"{where}: the head of the page is {at_head!r}")
        if at_foot != f"Page {number} of {len(sheets)}":
            found.append(f"{where}: the foot of the page is {at_foot!r}")
        body = [w for w in words
                if MARGIN_PT["top"] - 2 <= w["bottom"] and w["top"] <= height - MARGIN_PT["bottom"] + 2]
        sizes += [w["size"] for w in body]
        for word in body:
            if word["x0"] < MARGIN_PT["left"] - 1 or word["x1"] > width - MARGIN_PT["right"] + 1:
                found.append(f"{where}: {word['text']!r} stands in the margin or beyond")
        last = lines(body)[-1:] or [[]]
        # Headings stand at the left; a figure's may share its line with another's.
        left = squeezed(said(last[0]))
        if left and any(heading and (left == heading or left == heading * 2) for heading in headings):
            found.append(f"{where}: the heading {said(last[0])!r} is last on its page")
    for wanted in (BODY_PT, TABLE_PT):
        if not any(abs(size - wanted) < 0.05 for size in sizes):
            found.append(f"{source.name}, {paper}: no type of {wanted} pt; the page was shrunk or has none")
    return found


def wrong_on_purpose(frame):
    """Documents that a fault was put into, and what has to be said of each."""
    head, tail = frame.split("<main>", 1)[0] + "<main>", "</main></body></html>"
    some = "<p>Some text of the size that it ought to have.</p><table><tr><td>1.0</td></tr></table>"
    wide = "".join(f"<td>{'9' * 18}</td>" for _ in range(16))
    return {
        "beyond": (f"{some}<div style='white-space: nowrap'>{'unbroken ' * 60}</div>", "in the margin or beyond"),
        "shrunk": (f"<p>text</p><table><tr>{wide}</tr></table>", "no type of 9.0 pt"),
        "parted": (f"{some}<h2>Alone</h2><div style='break-before: page'>behind it</div>", "is last on its page"),
        "unheaded": (f"<style>@page {{ @top-left {{ content: 'x' !important; }} }}</style>{some}",
                     "the head of the page"),
    }, head, tail


def main():
    shutil.rmtree(WORK, ignore_errors=True)
    WORK.mkdir(parents=True)
    bare, run, second = (WORK / name for name in ("bare", "run", "second"))
    spanhold("reprocess", "config/bare-trial.toml", "recordings/bare-trial.wav", "--out", bare)
    for out in (run, second):
        spanhold("reprocess", "config/damped-trial.toml", "recordings/damped-trial.wav", "--out", out,
                 "--baseline", bare)
    pages = {name: WORK / f"{name}.html" for name in ("report", "audit", "summary", "sheet")}
    shutil.copy(run / "report.html", pages["report"])
    spanhold("audit", run, "--html", pages["audit"])
    spanhold("report", run, second, "--out", pages["summary"])
    spanhold("plan", "config/damped-trial.toml", "--sheet", pages["sheet"])
    titles = {name: html.unescape(re.search("<title>(.*?)</title>", page.read_text(encoding="utf-8"))[1])
              for name, page in pages.items()}
    assert "invented report 17" in titles["report"], titles

    made, head, tail = wrong_on_purpose(pages["report"].read_text(encoding="utf-8"))
    for name, (body, sentence) in made.items():
        source = WORK / f"wrong-{name}.html"
        source.write_text(head + body + tail, encoding="utf-8")
        found = faults(source, printed(source, "A4"), "A4", titles["report"])
        assert any(sentence in fault for fault in found), (name, found)

    found, counts = [], {}
    for paper in PAPER_PT:
        for name, source in pages.items():
            sheets = printed(source, paper)
            counts[f"{name}, {paper}"] = len(sheets)
            found += faults(source, sheets, paper, titles[name])
            texts = [[said(line) for line in lines(words)] for _, _, words in sheets]
            bodies = [[line for line in page if squeezed(line) != squeezed(titles[name])] for page in texts]
            first = [next(iter(body), "") for body in bodies]
            if name == "audit":
                begins = [at for at, line in enumerate(first) if re.match(r"Point \d+, harmonic", line)]
                points = len((run / "points.jsonl").read_text().splitlines())
                if len(begins) != points:
                    found.append(f"audit, {paper}: {len(begins)} of {points} points begin a page")
                closing = ("How a hold is judged", "Files")
                behind = [at for at, line in enumerate(first) if line in closing and at > begins[-1]]
                end = min([*behind, len(sheets)])
                spans = [after - begin for begin, after in zip(begins, begins[1:] + [end])]
                if max(spans) > 2:
                    found.append(f"audit, {paper}: pages of each point {spans}")
            if name == "sheet":
                planned = json.loads(spanhold("plan", "config/damped-trial.toml", "--json"))["harmonics"]
                rows = [line.split() for page in texts for line in page]
                for harmonic in planned:
                    begin = [f"{harmonic['harmonic']}{'*' if harmonic['drive_near_node'] else ''}",
                             f"{harmonic['frequency_hz']:.2f}", f"{harmonic['node_from_drive_end_mm']:.0f}"]
                    end = [f"{harmonic[key]:.0f}" for key in ("wait_s", "hold_s", "dwell_s")]
                    if not any(row[:3] == begin and row[-3:] == end for row in rows):
                        found.append(f"sheet, {paper}: no row {begin} … {end}")
                if not any(line.startswith("Time ") or line == "Time" for line in texts[0]):
                    found.append(f"sheet, {paper}: the time of the sweep is not on the first page")
            if name in ("report", "summary"):
                signed = [at for at, line in enumerate(first) if line == "For signature"]
                if len(signed) != 1 or not first[signed[0] + 1].startswith("Annex"):
                    found.append(f"{name}, {paper}: pages begin with {first}")
            if name == "report":
                if not any("Verdict" in line for line in texts[0]):
                    found.append(f"report, {paper}: no verdict on the first page")
                if len(sheets) > 12:
                    found.append(f"report, {paper}: {len(sheets)} pages")
    print(json.dumps(counts))
    for fault in found:
        print(fault)
    sys.exit(1 if found else 0)


main()
