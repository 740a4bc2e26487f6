"""Shoots of another make: painted scenes taken by a camera written apart from the project's own, on an outing of two lenses on which motes come and
go, to see what `trace` and `mend` make of them.

    other_shoot.py PROGRAM FOLDER OUT.md [SEED]

Scenes are `deliveries.py`'s, shadows `other.py`'s. Motes come with lens changes, one or two go. Some pictures stand upright, three are of one view.
What a mark comes to is measured on noise-free pictures with motes and without, as in `deliveries.py`.
"""

import math
import sys
from pathlib import Path

import cv2
import numpy as np

from deliveries import SCENES, SHARES, lightness, marks, taken
from other import HEIGHT, PITCH, WIDTH, body_of, cast, coded, dust, save, seen_by, tell, test_frame, told

SHOOTS, PICTURES = 4, 30
LENSES = (("Halden 24-70", 35, 62.0), ("Halden 85", 85, 104.0))  # name, focal length and distance of the exit pupil, mm
SERIAL = "-SerialNumber=4711"
STOPS = (5.6, 8.0, 11.0, 13.0, 16.0)


def outing(rng):
    """Pictures in the order they are taken: lens, f-number, scene, orientation. And motes: from which picture on, and up to which."""
    lens, plan, changes = int(rng.integers(2)), [], []
    for k in range(PICTURES):
        if k and rng.uniform() < 0.15:
            lens = 1 - lens
            changes.append(k)
        plan.append({"lens": lens, "stop": float(rng.choice(STOPS)), "scene": int(rng.integers(len(SCENES))), "view": k, "upright": bool(rng.uniform() < 0.25)})
    still = int(rng.integers(PICTURES - 2))
    for k in (1, 2):  # of one view, from a tripod
        plan[still + k] |= {key: plan[still][key] for key in ("scene", "view", "upright")}
    motes = [{**m, "first": 0, "end": PICTURES} for m in dust(rng, 9, (12, 90), SHARES)]
    for k in changes:
        motes += [{**m, "first": k, "end": PICTURES} for m in dust(rng, int(rng.integers(0, 3)), (15, 90), SHARES)]
    if changes:
        for m in motes[:2]:
            m["end"] = int(rng.choice(changes))
    return plan, motes


def take(folder, seed, k, shot, motes, body):
    """Writes a picture with its motes, and into `clean` the same without; gives back what is true of each mote in it."""
    rng, name = np.random.default_rng([seed, shot["view"]]), f"{k:04}.jpg"
    light = SCENES[shot["scene"]](rng).clip(0.001, 4).astype(np.float32)
    if shot["upright"]:
        light = np.ascontiguousarray(cv2.resize(np.rot90(light), (WIDTH, HEIGHT), interpolation=cv2.INTER_AREA))
    light = cv2.GaussianBlur(light, (0, 0), rng.uniform(0.5, 0.9)) * rng.uniform(0.8, 1.2)
    passed = [np.ones((HEIGHT, WIDTH), np.float32) for _ in range(3)]
    there = [cast(seen_by(m, body, LENSES[shot["lens"]][2], 0.0), shot["stop"], body, passed) for m in motes if m["first"] <= k < m["end"]]
    dim = np.stack(passed, 2)

    def finish(light):
        code = coded(light.clip(0, 1), 1).astype(np.float32)
        return (code + 0.4 * (code - cv2.GaussianBlur(code, (0, 0), 1.0))).clip(0, 1)

    full, quality = float(rng.uniform(8000, 40000)), int(rng.integers(90, 97))
    codes = [finish(taken(l, np.random.default_rng([seed, k, 1]), full)) for l in (light, light * dim)]
    for place, code in zip((folder / "clean", folder / "pictures"), codes):
        place.mkdir(parents=True, exist_ok=True)
        save(place / name, code, quality)
    at, (lens, focal, _) = 10 * 60 + 4 * k, LENSES[shot["lens"]]
    shot_by = [f"-LensModel={lens}", f"-FocalLength={focal}", f"-DateTimeOriginal=2026:10:01 {at // 60:02}:{at % 60:02}:00", SERIAL]
    tell(folder / "pictures" / name, shot["stop"], 6 if shot["upright"] else 1, *shot_by)
    spots = marks(there, lambda x, y: (x, y), 1.0, body, shot["stop"], lightness(finish(light)), lightness(finish(light * dim)), lightness(codes[1]))
    return [{**m, **s, "id": (m["seed"], m["first"])} for m, s in zip(there, spots)]


def far(a, b):
    return math.hypot(a["x_px"] - b["x"], a["y_px"] - b["y"])


def reach(m):
    return max(1.2 * m["width"], 4.0) + (7 * m["diameter"] / PITCH if m["kind"] == "thread" else 0)


def add(row, key, good):
    counts = row.setdefault(key, [0, 0])
    counts[0], counts[1] = counts[0] + bool(good), counts[1] + 1


def traced(said, truth, motes, row, at):
    """Motes found of those that show in three pictures, false ones, arrivals held by their intervals, and whether what shows is said to."""
    body = said["bodies"][0]
    order = {p["path"]: k for k, p in enumerate(body["pictures"])}
    there = {p["path"]: truth[int(Path(p["path"]).stem)] for p in body["pictures"]}
    matched = {}
    for mote in body["chart"]:
        near = {}
        for p in body["pictures"]:
            for s in (s for s in p["motes"] if s["id"] == mote["id"]):
                for m in there[p["path"]]:
                    near.setdefault(m["id"], []).append(far(s, m) / reach(m))
        best = min(near, key=lambda i: np.median(near[i]), default=None)
        strange = best is None or np.median(near[best]) > 1
        add(row, "false", strange)
        if strange:
            print(f"FALSE {at} {mote['equivalent_diameter_um']:.0f} um at {mote['x_mm']:.2f} {mote['y_mm']:.2f} mm, p {mote['probability']:.2f}, shows in {mote['shows_in']}", flush=True)
        else:
            matched.setdefault(best, mote)
    for m in motes:
        name = (m["seed"], m["first"])
        seen = [k for k, motes_there in sorted(truth.items()) if any(t["id"] == name and t["due"] for t in motes_there)]
        mote = matched.get(name)
        if len(seen) >= 3:
            add(row, "found", mote)
            if not mote:
                print(f"MISSED {at} {m['kind']} {m['diameter']:.0f} um at {m['x']:.0f} {m['y']:.0f}, shows in {seen}", flush=True)
        if mote:
            after, before = (order.get(mote["arrival"][key], -1) for key in ("after", "before"))
            add(row, "held", after < m["first"] <= before)
    name_of = {mote["id"]: name for name, mote in matched.items()}
    for p in body["pictures"]:
        shown = {name_of.get(s["id"]) for s in p["motes"] if s["shows"]}
        for m in there[p["path"]]:
            if m["id"] in matched and (m["due"] or m.get("times", 1) < 0.5):
                add(row, "shows", (m["id"] in shown) == m["due"])


def mended(said, folder, truth, row, at, by):
    """How much nearer mended shadows are to the picture without motes, and what was done where there are none."""
    read = lambda p: cv2.imread(str(p), cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION).astype(np.float32) / 255
    for p in said["pictures"]:
        k = int(Path(p["path"]).stem)
        want, before, after = read(folder / "clean" / f"{k:04}.jpg"), read(folder / "pictures" / f"{k:04}.jpg"), read(p["output"])
        for s in p["motes"]:
            absent = all(far(s, m) > reach(m) for m in truth[k])
            touched = s["treatment"] != "untouched"
            if absent:
                add(row, "absent", touched)
                if touched:
                    print(f"TOUCHED {at} by {by} {k:04}:{s['x_px']:.0f}:{s['y_px']:.0f} w {s['shadow_width_px']:.0f} p {s['probability']:.2f}", flush=True)
        # What came after the test frame it cannot know.
        for m in (m for m in truth[k] if "times" in m and (by == "trace" or m["id"][1] == 0)):
            r = int(reach(m))
            part = np.s_[max(0, int(m["y"]) - r) : int(m["y"]) + r, max(0, int(m["x"]) - r) : int(m["x"]) + r]
            psnr = lambda a: -10 * math.log10(max(np.mean((want[part] - a[part]) ** 2), 1e-9))
            was, now = psnr(before), psnr(after)
            add(row, "worse", now < was - 0.1)
            if m["times"] >= 2:
                where = "plain" if m["due"] else "detail"
                add(row, where, now > was + 1)
                row.setdefault(f"{where} gain", []).append(now - was)
            if now < was - 0.1 or m["due"] and now < was + 1:
                print(f"LEFT {at} by {by} {k:04}:{m['x']:.0f}:{m['y']:.0f} {m['kind']} t {m['times']:.1f} c {m['contrast']:.3f} {was:.1f} to {now:.1f} dB", flush=True)


def main():
    program, folder, out = sys.argv[1], Path(sys.argv[2]), Path(sys.argv[3])
    first = int(sys.argv[4]) if len(sys.argv) > 4 else 1
    tracing, mending = {}, {"trace": {}, "test frame": {}}
    for seed in range(first, first + SHOOTS):
        rng, at = np.random.default_rng([seed, 77]), folder / f"shoot-{seed}"
        body = body_of(rng)
        plan, motes = outing(rng)
        truth = {k: take(at, seed, k, shot, motes, body) for k, shot in enumerate(plan)}
        wall = at / "wall.dng"
        test_frame(wall, rng, body, [seen_by(m, body, LENSES[plan[0]["lens"]][2], 0.0) for m in motes if m["first"] == 0], 16.0)
        tell(wall, 16.0, 1, SERIAL)
        traced(told(program, "trace", at / "pictures", "--out", at / "trace"), truth, motes, tracing, at.name)
        for by, words in (("trace", ["--trace"]), ("test frame", ["--test-frame", wall])):
            mended(told(program, "mend", at / "pictures", *words, "--out", at / by), at, truth, mending[by], at.name, by)
    of = lambda row, key: "{} of {}".format(*row.get(key, [0, 0]))
    gain = lambda row, key: f"{of(row, key)}, {np.median(row[key + ' gain']):.1f} dB nearer"
    lines = ["# Shoots of another make", "", f"Written by `bench/other_shoot.sh {first}`: {SHOOTS} outings of {PICTURES} pictures (`other_shoot.py`), painted scenes of twelve kinds, f/5.6 to f/16, two lenses,",
             "upright and level, three of one view; motes come with lens changes and go. Camera JPEGs, contrast raised and sharpened. Visible: at least",
             "twice over the threshold of `deliveries.py`.", "", "## Tracing", "", "| what | |", "| --- | ---: |",
             f"| motes found, of those visible by themselves in plain places of three pictures or more | {of(tracing, 'found')} |",
             f"| of the motes named, false | {of(tracing, 'false')} |", f"| arrivals inside the stated interval | {of(tracing, 'held')} |",
             f"| shadows of these motes, shown or not, rightly told | {of(tracing, 'shows')} |", "", "## Mending", "",
             "Mended: at least 1 dB nearer to the same picture without motes; the gain is the median of all.", "", "| | by the trace | by a test frame before the outing |", "| --- | ---: | ---: |"]
    for what, tell_of in [("visible shadows mended, in plain places", lambda r: gain(r, "plain")), ("beside detail", lambda r: gain(r, "detail")),
                          ("shadows made worse, by 0.1 dB and more", lambda r: of(r, "worse")), ("places of motes that are not there, touched", lambda r: of(r, "absent"))]:
        lines.append(f"| {what} | {tell_of(mending['trace'])} | {tell_of(mending['test frame'])} |")
    lines.append("")
    out.write_text("\n".join(lines))
    print("\n".join(lines))


if __name__ == "__main__":
    main()
