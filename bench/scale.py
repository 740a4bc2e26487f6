"""How time and memory of the program grow: scale.py PROGRAMS WORK DOCS.

PROGRAMS holds `motelight` and the examples of `motelight-synth`, WORK is for what is made, DOCS/performance.md and
DOCS/pictures/scale-*.svg are written. Every figure is of one run of a whole process: processor time (user + system, children
counted) and the largest sum of resident memory of the process and its children, looked at every 5 ms.
"""

import json
import math
import os
import platform
import resource
import subprocess
import sys
import threading
import time

PAGE = os.sysconf("SC_PAGE_SIZE")
SIZES = [(3000, 2000), (4242, 2828), (6000, 4000), (8256, 5504), (12248, 8165), (15000, 10000)]
MOTES = [0, 10, 30, 100, 200, 500]
PICTURES = [10, 30, 100, 400, 1000]
MENDED = [10, 30, 100, 400]
SIGNED = [10, 30, 100]


def family(pid):
    yield pid
    try:
        with open(f"/proc/{pid}/task/{pid}/children") as f:
            for child in f.read().split():
                yield from family(int(child))
    except OSError:
        pass


def resident(pid):
    total = 0
    for one in family(pid):
        try:
            with open(f"/proc/{one}/statm") as f:
                total += int(f.read().split()[1]) * PAGE
        except OSError:
            pass
    return total


def measured(command, out=subprocess.DEVNULL, cache=None):
    """Processor seconds, elapsed seconds, peak MB."""
    environment = dict(os.environ, MOTELIGHT_CACHE=cache) if cache else None
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    start = time.time()
    process = subprocess.Popen(command, stdout=out, stderr=subprocess.DEVNULL, env=environment)
    peak, done = [0], threading.Event()

    def watch():
        while not done.wait(0.005):
            peak[0] = max(peak[0], resident(process.pid))

    watcher = threading.Thread(target=watch)
    watcher.start()
    code = process.wait()
    done.set()
    watcher.join()
    if code > 1:
        sys.exit(f"{command} ended with {code}")
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    used = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return used, time.time() - start, peak[0] / 1e6


def frames(programs, work):
    """Inspect by megapixels, then by motes."""
    example, program = os.path.join(programs, "examples", "testset"), os.path.join(programs, "motelight")
    by_size, by_motes = [], []
    for series, sizes, counts in ((by_size, SIZES, [40]), (by_motes, [(6000, 4000)], MOTES)):
        for width, height in sizes:
            for count in counts:
                folder = os.path.join(work, f"frame-{width}x{height}-{count}")
                path = os.path.join(folder, "frame-077.dng")
                if not os.path.exists(path):
                    # Compressed as cameras do; by rays, for a wide frame's waves take long to make.
                    make = [example, folder, "--count", "1", "--seed", "77", "--format", "3", "--size", f"{width}x{height}"]
                    subprocess.run(make + ["--motes", str(count), "--mode", "integral"], check=True, stdout=subprocess.DEVNULL)
                runs = sorted(measured([program, "inspect", "--json", "--no-record", path]) for _ in range(3))
                x = width * height / 1e6 if series is by_size else count
                series.append((x, *runs[1]))
                print(x, runs[1], flush=True)
    return by_size, by_motes


def distinct(source, to, number):
    """A copy that differs by a comment (ITU-T T.81, marker COM), so that nothing knows it again."""
    data = open(source, "rb").read()
    text = b"copy %d" % number
    with open(to, "wb") as f:
        f.write(data[:2] + b"\xff\xfe" + (len(text) + 2).to_bytes(2, "big") + text + data[2:])


def shoots(programs, work):
    """Trace, mend and sign-off by pictures."""
    example, program = os.path.join(programs, "examples", "shoots"), os.path.join(programs, "motelight")
    made = os.path.join(work, "shoot")
    if not os.path.exists(made):
        make = [example, made, "--count", "1", "--seed", "78", "--pictures", "24", "--size", "3000x2000"]
        subprocess.run(make, check=True, stdout=subprocess.DEVNULL)
    day = os.path.join(made, "shoot-078")
    originals = sorted(os.path.join(day, n) for n in os.listdir(day) if n.endswith(".jpg"))
    series = {"trace": [], "mend": [], "signoff": []}
    for count in PICTURES:
        folder = os.path.join(work, f"pictures-{count}")
        os.makedirs(folder, exist_ok=True)
        for i in range(count):
            to = os.path.join(folder, f"picture-{i:04}.jpg")
            if not os.path.exists(to):
                distinct(originals[i * len(originals) // count], to, i)
        document = os.path.join(work, f"trace-{count}.json")
        cache = os.path.join(work, f"cache-{time.time_ns()}")
        with open(document, "w") as out:
            series["trace"].append((count, *measured([program, "trace", "--json", "--no-record", folder], out, cache)))
        subprocess.run(["rm", "-rf", cache], check=True)
        mended = os.path.join(work, "mended")
        mend = [program, "mend", folder, f"--trace={document}", "--out", mended, "--json", "--no-record"]
        if count in MENDED:
            series["mend"].append((count, *measured(mend)))
        subprocess.run(["rm", "-rf", mended], check=True)
        if count in SIGNED:
            series["signoff"].append((count, *measured([program, "signoff", folder, "--json", "--no-record"])))
        if count > 100:
            subprocess.run(["rm", "-rf", folder], check=True)
        print(count, {k: v[-1] for k, v in series.items() if v}, flush=True)
    return series


def slope(rows, column):
    """Exponent of growth between the last row and the one nearest a quarter of it."""
    last = rows[-1]
    first = min(rows[:-1], key=lambda r: abs(math.log(max(r[0], 0.1) / (last[0] / 4))))
    return math.log(last[column] / first[column]) / math.log(last[0] / first[0])


def height_at(points, x):
    """Where a line passes a column; far off where it does not reach it."""
    for (ax, ay), (bx, by) in zip(points, points[1:]):
        if ax <= x <= bx:
            return ay + (by - ay) * (x - ax) / (bx - ax)
    return math.inf


INK = ["#1d1d1b", "#b5541c", "#2f6690"]


def plot(path, label, series):
    """Two panels, both axes logarithmic: processor time and memory."""
    parts = ["<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 860 330' font-family='DejaVu Sans, sans-serif' font-size='13'>"]
    parts.append("<rect width='860' height='330' fill='#fff'/>")
    xs = [max(r[0], 1) for rows in series.values() for r in rows]
    low_x, high_x = math.log10(min(xs)) - 0.08, math.log10(max(xs)) + 0.08
    for panel, (title, column) in enumerate((("processor time, s", 1), ("memory at most, MB", 3))):
        left, top, width, height = 70 + 430 * panel, 40, 330, 220
        ys = [r[column] for rows in series.values() for r in rows]
        # To the round values below and above, so that at least two are named.
        round_values = [step * 10.0**power for power in range(-3, 7) for step in (1, 2, 5)]
        low_y = math.log10(max(v for v in round_values if v <= min(ys))) - 0.02
        high_y = math.log10(min(v for v in round_values if v >= max(ys))) + 0.02
        to_x = lambda v: left + (math.log10(max(v, 1)) - low_x) / (high_x - low_x) * width
        to_y = lambda v: top + (high_y - math.log10(v)) / (high_y - low_y) * height
        parts.append(f"<text x='{left}' y='{top - 14}'>{title}</text>")
        for low, high, place in ((low_x, high_x, "x"), (low_y, high_y, "y")):
            for power in range(math.floor(low), math.ceil(high) + 1):
                for step in (1, 2, 5):
                    value = step * 10.0**power
                    if not low <= math.log10(value) <= high:
                        continue
                    text = f"{value:g}"
                    if place == "x":
                        parts.append(f"<text x='{to_x(value):.1f}' y='{top + height + 20}' text-anchor='middle'>{text}</text>")
                    else:
                        y = to_y(value)
                        parts.append(f"<path d='M{left} {y:.1f}h{width}' stroke='#ddd'/>")
                        parts.append(f"<text x='{left - 8}' y='{y + 4:.1f}' text-anchor='end'>{text}</text>")
        lines = [[(to_x(r[0]), to_y(r[column])) for r in rows] for rows in series.values()]
        for ink, name, points in zip(INK, series, lines):
            line = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
            parts.append(f"<polyline points='{line}' fill='none' stroke='{ink}' stroke-width='2'/>")
            parts += [f"<circle cx='{x:.1f}' cy='{y:.1f}' r='3.5' fill='{ink}'/>" for x, y in points]
            if len(series) > 1:
                x, y = points[-1]
                crossed = any(-30 < height_at(other, x) - y < 0 for other in lines if other is not points)
                parts.append(f"<text x='{x + 2:.1f}' y='{y + (18 if crossed else -8):.1f}' fill='{ink}' text-anchor='end'>{name}</text>")
        parts.append(f"<text x='{left + width / 2}' y='{top + height + 44}' text-anchor='middle'>{label}</text>")
    open(path, "w").write("\n".join(parts + ["</svg>"]) + "\n")


def table(head, rows):
    lines = [f"| {head} | processor time, s | elapsed, s | memory at most, MB |", "| ---: | ---: | ---: | ---: |"]
    return lines + [f"| {x:g} | {cpu:.2f} | {wall:.2f} | {mb:.0f} |" for x, cpu, wall, mb in rows]


def main(programs, work, docs):
    os.makedirs(work, exist_ok=True)
    by_size, by_motes = frames(programs, work)
    by_pictures = shoots(programs, work)
    pictures = os.path.join(docs, "pictures")
    plot(os.path.join(pictures, "scale-megapixels.svg"), "megapixels", {"inspect": by_size})
    plot(os.path.join(pictures, "scale-motes.svg"), "motes (none: at 1)", {"inspect": by_motes})
    plot(os.path.join(pictures, "scale-pictures.svg"), "pictures", by_pictures)
    cpu = next((l.split(":")[1].strip() for l in open("/proc/cpuinfo") if l.startswith("model name")), platform.machine())
    rounded = [(round(x), *rest) for x, *rest in by_size]
    lines = [
        "# How time and memory grow",
        "",
        f"Written by `bench/scale.sh`, {time.strftime('%Y-%m-%d')}, on {os.cpu_count()} processors ({cpu}). Whole processes: reading and the decoding child",
        "counted; memory is the largest sum over the process and its child. Of frames the median of three runs, of folders one. A cloud",
        "machine's speed wanders by a fifth; look at how the figures grow, not at the seconds.",
        "",
        "## A test frame, by megapixels",
        "",
        "`inspect` of a raw test frame (DNG, lossless tiles, 40 motes).",
        "",
        "![by megapixels](pictures/scale-megapixels.svg)",
        "",
        *table("megapixels", rounded),
        "",
        f"Time grows with the power {slope(by_size, 1):.2f} of the pixels, memory with {slope(by_size, 3):.2f}.",
        "",
        "## A test frame, by motes",
        "",
        "`inspect` of a raw test frame of 24 megapixels.",
        "",
        "![by motes](pictures/scale-motes.svg)",
        "",
        *table("motes", by_motes),
        "",
        f"From none to {MOTES[-1]} motes time grows {by_motes[-1][1] / by_motes[0][1]:.1f} times.",
        "",
        "## A shoot, by pictures",
        "",
        "`trace` with an empty cache, `mend` by that trace, and `signoff`, of JPEGs of 6 megapixels (24 of them, copied under other names with another",
        "comment in each, so that nothing is known again).",
        "",
        "![by pictures](pictures/scale-pictures.svg)",
        "",
    ]
    for name, rows in by_pictures.items():
        lines += [f"### {name}", "", *table("pictures", rows), ""]
        lines += [f"Time grows with the power {slope(rows, 1):.2f} of the pictures, memory with {slope(rows, 3):.2f}.", ""]
    open(os.path.join(docs, "performance.md"), "w").write("\n".join(lines).rstrip() + "\n")
    json.dump(dict(size=by_size, motes=by_motes, pictures=by_pictures), open(os.path.join(work, "scale.json"), "w"))


if __name__ == "__main__":
    main(*sys.argv[1:])
