"""Frames of another make: a camera written apart from the project's own, to see what the program makes of pictures it was not worked with.

    python other.py PROGRAM FOLDER OUT.md [SEED]

Shares nothing with the synthetic camera: shadows by Fourier optics of the whole mote (Goodman, Introduction to Fourier Optics, ch. 4: Fresnel
transfer function), spread by the image of a pupil of 5 to 9 blades or a round one; ragged outlines, clusters, threads; photosites that differ, rows
that stray, hot and dead ones; a converter with noise reduction, sharpening and a contrast curve. Wants numpy, scipy, opencv, tifffile, exiftool.
"""

import json
import math
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import tifffile
from numpy.fft import fft2, fftfreq, ifft2, ifftshift
from scipy.ndimage import gaussian_filter

PITCH = 5.94  # um
WIDTH, HEIGHT = 3008, 2000
FINE = PITCH / 3  # um, sampling of shadows
BANDS = ((0.57, 0.61, 0.65), (0.50, 0.54, 0.58), (0.43, 0.46, 0.50))  # um: red, green, blue
BALANCE = np.array([0.55, 1.0, 0.62])


def opaque(kind, diameter, side, rng):
    """Share of each fine cell that a mote covers."""
    times = 4
    drawn = np.zeros((side * times, side * times), np.uint8)
    middle, r = side * times / 2, diameter / 2 / FINE * times
    if kind == "cluster":
        for _ in range(rng.integers(3, 7)):
            x, y = rng.normal(0, 0.6 * r, 2) + middle
            cv2.circle(drawn, (int(x), int(y)), max(1, int(r * rng.uniform(0.35, 0.6))), 1, -1)
    elif kind == "thread":
        length, width = diameter * rng.uniform(6, 14) / FINE * times, max(1, int(rng.uniform(8, 16) / FINE * times))
        ends = np.array([[-length / 2, 0], [-length / 6, rng.normal() * length / 5], [length / 6, rng.normal() * length / 5], [length / 2, 0]])
        t = np.linspace(0, 1, 60)[:, None]
        curve = (1 - t) ** 3 * ends[0] + 3 * (1 - t) ** 2 * t * ends[1] + 3 * (1 - t) * t**2 * ends[2] + t**3 * ends[3]
        a = rng.uniform(0, math.tau)
        turned = curve @ np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]]) + middle
        cv2.polylines(drawn, [turned.astype(np.int32)], False, 1, width)
    else:
        t = np.linspace(0, math.tau, 240, endpoint=False)
        rough, long, a = rng.uniform(0.05, 0.5), math.sqrt(rng.uniform(1, 2.2)), rng.uniform(0, math.tau)
        radius = 1 + sum(rough * rng.normal() / k * np.cos(k * t + rng.uniform(0, math.tau)) for k in range(2, 9))
        x, y = r * radius.clip(0.3) * long * np.cos(t), r * radius.clip(0.3) / long * np.sin(t)
        outline = np.stack([x * np.cos(a) - y * np.sin(a), x * np.sin(a) + y * np.cos(a)], 1) + middle
        cv2.fillPoly(drawn, [outline.astype(np.int32)], 1)
    return drawn.reshape(side, times, side, times).mean((1, 3))


def pupil(stop, body, side):
    """Image of the exit pupil on the glass."""
    times, radius = 4, body["height"] * 1000 / stop / 2
    drawn, middle, blades = np.zeros((side * times, side * times), np.uint8), side * times / 2, body["blades"]
    if blades:
        radius /= math.sqrt(blades / math.tau * math.sin(math.tau / blades))  # the disc's area
        t = body["turn"] + math.tau * np.arange(blades) / blades
        cv2.fillPoly(drawn, [(middle + radius / FINE * times * np.stack([np.cos(t), np.sin(t)], 1)).astype(np.int32)], 1)
    else:
        cv2.circle(drawn, (int(middle), int(middle)), int(radius / FINE * times), 1, -1)
    spread = drawn.reshape(side, times, side, times).mean((1, 3))
    return spread / spread.sum()


def cast(mote, stop, body, passed, shift=(0.0, 0.0)):
    """Multiplies a mote's shadow into the light passed, one plane per colour; gives back its depth and place."""
    side = 1024 if mote["kind"] == "thread" else 512
    covered = np.rot90(opaque(mote["kind"], mote["diameter"], side, np.random.default_rng(mote["seed"])), mote.get("turn", 0))
    f = fftfreq(side, FINE)
    f2, spread = f[:, None] ** 2 + f[None, :] ** 2, fft2(ifftshift(pupil(stop, body, side)))
    wave = fft2(1 - covered)
    x, y = mote["x"] + shift[0], mote["y"] + shift[1]
    per, half = PITCH / FINE, int(side / 2 / (PITCH / FINE)) - 1
    left, top = int(x) - half, int(y) - half
    way = np.array([[per, 0, (left + 0.5 - x) * per + side / 2 - 0.5], [0, per, (top + 0.5 - y) * per + side / 2 - 0.5]], np.float32)
    x0, y0, x1, y1 = max(left, 0), max(top, 0), min(left + 2 * half, WIDTH), min(top + 2 * half, HEIGHT)
    depth = squares = 0.0
    for c, band in enumerate(BANDS):
        light = sum(np.abs(ifft2(wave * np.exp(-1j * math.pi * l * body["height"] * 1000 * f2))) ** 2 for l in band) / len(band)
        light = np.real(ifft2(fft2(light) * spread)).astype(np.float32)
        pixels = cv2.warpAffine(cv2.blur(light, (3, 3)), way, (2 * half, 2 * half), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderValue=1)
        part = pixels[y0 - top : y1 - top, x0 - left : x1 - left]
        passed[c][y0:y1, x0:x1] *= part
        if c == 1 and part.size:
            depth, squares = float(1 - part.min()), float(((1 - part) ** 2).sum())
    # The middle of what is covered, not of the drawing.
    rows, columns = (covered.sum(a) @ (np.arange(side) + 0.5) / covered.sum() - side / 2 for a in (1, 0))
    place = {"x": x + columns / per, "y": y + rows / per}
    return {**mote, "area": float(covered.sum() * FINE**2), "depth": depth, "squares": squares, **place}


def dust(rng, count, sizes, shares=(0.08, 0.17, 0.75)):
    def one(_):
        kind = rng.choice(["thread", "cluster", "crumb"], p=shares)
        d = math.exp(rng.uniform(math.log(sizes[0]), math.log(sizes[1])))
        x, y = rng.uniform(0, WIDTH), rng.uniform(0, HEIGHT)
        return {"kind": str(kind), "diameter": min(d, 40) if kind == "thread" else d, "seed": int(rng.integers(1 << 30)), "x": x, "y": y}

    return [one(i) for i in range(count)]


def body_of(rng):
    return {"height": rng.uniform(0.7, 2.2), "blades": int(rng.choice([0, 5, 7, 8, 9])), "turn": rng.uniform(0, math.tau)}


def tell(path, stop, orientation=1, *more):
    tags = [f"-Orientation#={orientation}", f"-FNumber={stop:g}", "-ExposureTime=1/20", "-ISO=100", "-FocalLength=50", "-Make=Halden", "-Model=Halden H2"]
    tags += [f"-FocalPlane{a}Resolution={10000 / PITCH:.6f}" for a in "XY"] + ["-FocalPlaneResolutionUnit=cm", "-DateTimeOriginal=2026:10:01 10:00:00"]
    subprocess.run(["exiftool", "-q", "-overwrite_original", *tags, *more, str(path)], check=True)


def coded(light, curve):
    s = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.power(np.maximum(light, 1e-9), 1 / 2.4) - 0.055)
    return np.clip(s + curve * 0.03 * np.sin(math.tau * (s - 0.5)), 0, 1)


def save(path, values, quality=92):
    if path.suffix == ".jpg":
        cv2.imwrite(str(path), (values[:, :, ::-1] * 255 + 0.5).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, quality])
    elif path.suffix == ".png":
        cv2.imwrite(str(path), (values[:, :, ::-1] * 65535 + 0.5).astype(np.uint16))
    else:
        tifffile.imwrite(path, (values * 65535 + 0.5).astype(np.uint16), photometric="rgb", metadata=None)


def test_frame(path, rng, body, motes, stop, orientation=1, film=1.0):
    """A wall, out of focus and unevenly lit; gives back what is true of each mote. `film` is the light a residue passes."""
    passed = [np.ones((HEIGHT, WIDTH), np.float32) * film for _ in range(3)]
    truth = [cast(m, stop, body, passed) for m in motes]
    full, read, level = rng.uniform(25000, 60000), rng.uniform(2, 5), rng.uniform(0.3, 0.6)
    noise = math.sqrt(1 / (level * full) + (read / (level * full)) ** 2)
    for m in truth:
        m["snr"] = math.sqrt(0.75 * m["squares"]) / noise  # green holds half of the photosites, red and blue are darker
    v, u = np.mgrid[0:HEIGHT, 0:WIDTH] / WIDTH - 0.5
    marks = cv2.resize(gaussian_filter(rng.normal(size=(HEIGHT // 8, WIDTH // 8)), rng.uniform(8, 20)).astype(np.float32), (WIDTH, HEIGHT), interpolation=cv2.INTER_CUBIC)
    wall = level * (1 + rng.uniform(-0.3, 0.3) * u + rng.uniform(-0.3, 0.3) * v - rng.uniform(0.1, 0.6) * (u**2 + v**2))
    wall = wall * (1 + rng.uniform(0, 0.006) * marks / marks.std())
    mosaic, light = np.zeros((HEIGHT, WIDTH)), [wall * BALANCE[c] * passed[c] for c in range(3)]
    for row in range(2):
        for column in range(2):
            mosaic[row::2, column::2] = light[row + column][row::2, column::2]
    electrons = rng.poisson(mosaic * full * (1 + 0.004 * rng.normal(size=mosaic.shape)))
    electrons = electrons + rng.normal(0, read, mosaic.shape) + rng.normal(0, 0.5, (HEIGHT, 1))
    for _ in range(40):
        electrons[rng.integers(HEIGHT), rng.integers(WIDTH)] = rng.choice([0.98 * full, 10.0])
    codes = np.clip(np.round(electrons / full * 15488 + 512), 0, 16383).astype(np.uint16)
    if path.suffix == ".dng":
        matrix = [v for i in range(9) for v in ((10000 if i in (0, 4, 8) else 0), 10000)]
        tags = [(33421, "H", 2, (2, 2)), (33422, "B", 4, bytes([0, 1, 1, 2])), (50706, "B", 4, bytes([1, 4, 0, 0])), (50707, "B", 4, bytes([1, 1, 0, 0]))]
        tags += [(50708, "s", 0, "Halden H2"), (50714, "H", 1, 512), (50717, "H", 1, 16000), (50721, "2i", 9, matrix), (50778, "H", 1, 21)]
        tags += [(50728, "2I", 3, [5500, 10000, 10000, 10000, 6200, 10000])]
        tifffile.imwrite(path, codes, photometric=32803, metadata=None, extratags=[(*t, True) for t in tags], rowsperstrip=64)
    else:
        linear = np.clip((codes - 512.0) / 15488, 0, 1)
        rgb = cv2.cvtColor((linear * 65535).astype(np.uint16), cv2.COLOR_BAYER_RG2BGR).astype(np.float32) / 65535
        means = rgb.reshape(-1, 3).mean(0)
        rgb = rgb[:, :, ::-1] if abs(means[2] / means[1] - 0.55) < abs(means[0] / means[1] - 0.55) else rgb  # the library's names run both ways
        rgb = np.clip(rgb / BALANCE * rng.uniform(0.9, 1.2), 0, 1)
        if path.suffix == ".jpg":
            rgb = gaussian_filter(rgb, (0.6, 0.6, 0))
            rgb = np.clip(rgb + 0.5 * (rgb - gaussian_filter(rgb, (1.2, 1.2, 0))), 0, 1)
        save(path, coded(rgb, 1 if path.suffix == ".jpg" else 0), int(rng.integers(88, 97)))
    tell(path, stop, orientation)
    return truth


def told(program, *words):
    done = subprocess.run([program, *map(str, words), "--json", "--no-record"], capture_output=True, text=True)
    return json.loads(done.stdout)


def inspected(program, folder, seed, frames, count, sizes):
    """Motes found, due, false marks, errors of area by format, errors of place and of the stand-off."""
    found = due = false = 0
    areas, places, heights = {".dng": [], ".tif": [], ".jpg": []}, [], []
    for k in range(frames):
        rng = np.random.default_rng(seed + k)
        path = folder / f"frame-{seed + k}{['.dng', '.tif', '.jpg'][k % 3]}"
        body, stop = body_of(rng), [16.0, 22.0, 18.0, 20.0][k % 4]
        truth = test_frame(path, rng, body, dust(rng, count, sizes), stop)
        frame = told(program, "inspect", path)["frames"][0]
        path.unlink()
        marks, free = frame["motes"], set(range(len(frame["motes"])))
        width = lambda m: body["height"] * 1000 / stop / PITCH + m["diameter"] / PITCH
        far = lambda i, m: math.hypot(marks[i]["x_px"] - m["x"], marks[i]["y_px"] - m["y"])
        for m in sorted(truth, key=lambda m: -m["snr"]):
            near = min((i for i in free if far(i, m) < max(4, 0.6 * width(m))), key=lambda i: far(i, m), default=None)
            if m["snr"] >= 8 and m["diameter"] >= 10:
                due, found = due + 1, found + (near is not None)
            if near is None:
                continue
            free.remove(near)
            if m["snr"] >= 20 and m["kind"] != "thread":
                areas[path.suffix].append(abs(marks[near]["blocked_area_um2"] / m["area"] - 1))
                places.append(far(near, m))
        # What lies in a shadow that was found is a part of it.
        length = lambda m: 14 * m["diameter"] / PITCH if m["kind"] == "thread" else 0
        false += sum(all(far(i, m) > max(width(m), length(m)) for m in truth) for i in free)
        if truth:
            heights.append(abs(frame["stand_off_mm"]["value"] / body["height"] - 1))
    return found, due, false / frames, {k: np.median(v) for k, v in areas.items() if v}, places, heights


def seen_by(mote, body, distance, shift_mm):
    """The mote where a pupil at a distance, shifted sideways, casts its shadow."""
    way = body["height"] / distance
    at = lambda v, size, shift: size / 2 + ((v - size / 2) - way * shift * 1000 / PITCH) / (1 - way)
    return {**mote, "x": at(mote["x"], WIDTH, shift_mm), "y": at(mote["y"], HEIGHT, 0.0)}


def rechecked(program, folder, seed, pairs):
    """Statuses right and all, by what lies between the two frames; streaks seen and all; what was said wrongly of what."""
    right, streaks, wrong = {}, [0, 0], {}
    for k, sort in ((k, sort) for k in range(pairs) for sort in ("dry", "wet", "another lens", "lens shifted", "turned", "f/16, then f/22")):
        rng = np.random.default_rng([seed, k, len(sort)])
        body, motes = body_of(rng), dust(rng, 30, (10, 80))
        film, after = 1.0, []
        for i, m in enumerate(motes):
            m["id"], lot = i, rng.uniform()
            gone, moved = (0.75, 0.78) if sort == "wet" else (0.35, 0.45)
            if lot > moved:
                after.append({**m, "status": "stayed"})
            elif lot > gone:
                after.append({**m, "status": "moved", "x": rng.uniform(20, WIDTH - 20), "y": rng.uniform(20, HEIGHT - 20), "turn": int(rng.integers(4))})
        after += [{**m, "id": 100 + i, "status": "new"} for i, m in enumerate(dust(rng, 4, (10, 80)))]
        if sort == "wet":
            v, u = np.mgrid[0:HEIGHT, 0:WIDTH] * PITCH
            long, wide, across, down = rng.uniform(1500, 4000), rng.uniform(150, 400), *(rng.uniform(0.3, 0.7, 2) * (WIDTH, HEIGHT) * PITCH)
            film = 1 - rng.uniform(0.01, 0.03) * np.exp(-(((u - across) / long * 2) ** 8) - ((v - down) / wide) ** 2)
        near, far = {"another lens": ((60, 0), (110, 0)), "lens shifted": ((75, 0), (75, 11))}.get(sort, ((75, 0), (75, 0)))
        files = [folder / f"{sort.replace('/', '').replace(' ', '-')}-{seed}-{k}-{which}{['.dng', '.tif', '.jpg'][k % 3]}" for which in ("before", "after")]
        truths = [
            test_frame(files[0], rng, body, [seen_by(m, body, *near) for m in motes], 16.0),
            test_frame(files[1], rng, body, [seen_by(m, body, *far) for m in after], 22.0 if sort.startswith("f") else 16.0, 6 if sort == "turned" else 1, film),
        ]
        floor = max(f["floor_um"] for f in told(program, "inspect", *files)["frames"])
        said = told(program, "recheck", *files)
        for path in files:
            path.unlink()
        names = {}
        for side, (truth, x, y, mark) in enumerate([(truths[0], "x_mm", "y_mm", "before_id"), (truths[1], "after_x_mm", "after_y_mm", "after_id")]):
            for m in sorted(truth, key=lambda m: -m["snr"]):
                off = lambda f: math.hypot(f[x] * 1000 / PITCH + WIDTH / 2 - m["x"], f[y] * 1000 / PITCH + HEIGHT / 2 - m["y"])
                free = [f for f in said["motes"] if f[mark] and (side, f[mark]) not in names]
                best = min(free, key=off, default=None)
                if best and off(best) < max(4, 0.6 * (body["height"] * 1000 / 16 + m["diameter"]) / PITCH):
                    names[side, best[mark]] = m["id"]
        fates = {m["id"]: m["status"] for m in after}
        inside = lambda m: 0 < m["x"] < WIDTH and 0 < m["y"] < HEIGHT
        sides = [{m["id"]: m for m in truth} for truth in truths]
        counts = right.setdefault(sort, [0, 0])
        for name in sorted({*sides[0], *sides[1]}):
            there = [side[name] for side in sides if name in side]
            if not all(map(inside, there)) or math.sqrt(there[0]["area"] * 4 / math.pi) < 1.2 * floor:
                continue
            wanted = fates.get(name, "gone")
            told_of = [f["status"] for f in said["motes"] if name in (names.get((0, f["before_id"])), names.get((1, f["after_id"])))]
            counts[0], counts[1] = counts[0] + (wanted in told_of), counts[1] + 1
            if wanted not in told_of:
                key = f"{wanted} told {told_of[0] if told_of else 'nothing'}"
                wrong[key] = wrong.get(key, 0) + 1
        if sort == "wet":
            streaks[0] += any(math.hypot(r["x_mm"] * 1000 - across + WIDTH * PITCH / 2, r["y_mm"] * 1000 - down + HEIGHT * PITCH / 2) < 1000 for r in said["residue"])
            streaks[1] += 1
    return right, streaks, wrong


def mended(program, folder, seed):
    """PSNR before, after and of the picture without motes, shadow by shadow and kind by kind."""
    rng = np.random.default_rng(seed)
    body, motes = body_of(rng), dust(rng, 30, (12, 90))
    for m in motes[:6]:
        m["kind"], m["diameter"] = "thread", min(m["diameter"], 40)
    test_frame(folder / "wall.tif", rng, body, motes, 16.0)
    pictures, rows = folder / "pictures", []
    pictures.mkdir(exist_ok=True)
    made = {}
    for k, stop in enumerate([5.6, 8.0, 11.0, 16.0, 22.0] * 2):
        path = pictures / f"{k:02}{'.tif' if k < 5 else '.jpg'}"
        passed = [np.ones((HEIGHT, WIDTH), np.float32) for _ in range(3)]
        shift = rng.uniform(-6, 6, 2)
        there = [cast(m, stop, body, passed, shift) for m in motes]
        clouds = cv2.resize(gaussian_filter(rng.normal(size=(HEIGHT // 16, WIDTH // 16)), 12).astype(np.float32), (WIDTH, HEIGHT), interpolation=cv2.INTER_CUBIC)
        sky = 0.25 + 0.35 * np.mgrid[0:HEIGHT, 0:WIDTH][0] / HEIGHT + 0.04 * clouds / clouds.std()
        sky = np.stack([0.8 * sky, sky, 1.2 * sky], 2).clip(0.01, 0.95)
        grain = rng.normal(size=sky.shape) / math.sqrt(30000)
        noisy = lambda light: np.clip(light + grain * np.sqrt(light), 0, 1)
        clean = folder / f"clean-{path.name}"
        save(clean, coded(noisy(sky), 0))
        save(path, coded(noisy(sky * np.stack(passed, 2)), 0))
        tell(path, stop)
        made[path] = (stop, there, clean)
    told(program, "mend", pictures, "--test-frame", folder / "wall.tif", "--out", folder / "mended")
    read = lambda p: tifffile.imread(p) / 65535 if p.suffix == ".tif" else cv2.imread(str(p))[:, :, ::-1] / 255
    for path, (stop, there, clean) in made.items():
        want, before, after = read(clean), read(path), read(folder / "mended" / path.name)
        for m in there:
            r = int((body["height"] * 1000 / stop + m["diameter"]) / PITCH / 2 + (60 if m["kind"] == "thread" else 2))
            part = np.s_[max(0, int(m["y"]) - r) : int(m["y"]) + r, max(0, int(m["x"]) - r) : int(m["x"]) + r]
            if m["depth"] > 0.02 and want[part].size:
                psnr = lambda a: -10 * math.log10(max(np.mean((want[part] - a[part]) ** 2), 1e-9))
                rows.append((path.suffix, m["kind"], stop, psnr(before), psnr(after)))
    return rows


def main():
    program, folder, out = sys.argv[1], Path(sys.argv[2]), Path(sys.argv[3])
    seed = int(sys.argv[4]) if len(sys.argv) > 4 else 1
    folder.mkdir(parents=True, exist_ok=True)
    lines = ["# Frames of another make", "", f"Written by `bench/other.sh {seed}`: a camera written apart from the project's own (`other.py`), DNG, TIFF of 16 bits and JPEG in turn,",
             "bladed pupils, ragged motes, clusters and threads, hot and dead photosites, a converter with noise reduction and sharpening.", "",
             "## Inspecting", "", "| frames | motes of 10 µm and SNR 8 found | false marks a frame | median error of area: raw, TIFF, JPEG | place, rms | stand-off, median and worst |", "| --- | ---: | ---: | --- | ---: | --- |"]
    for name, at, frames, count, sizes in [("12, 40 motes of 10 to 80 µm", 0, 12, 40, (10, 80)), ("12, 60 motes of 6 to 30 µm", 100, 12, 60, (6, 30)), ("24 empty", 200, 24, 0, (10, 80))]:
        found, due, false, areas, places, heights = inspected(program, folder, 1000 * seed + at, frames, count, sizes)
        if count:
            area = ", ".join(f"{100 * areas[k]:.1f} %" for k in (".dng", ".tif", ".jpg"))
            rms, height = math.sqrt(np.mean(np.square(places))), f"{100 * np.median(heights):.1f} %, {100 * max(heights):.1f} %"
            lines.append(f"| {name} | {found} of {due} | {false:.2f} | {area} | {rms:.2f} px | {height} |")
        else:
            lines.append(f"| {name} | | {false:.2f} | | | |")
    lines += ["", "## Two frames with a pass between them", "", "Dry: a third gone, a tenth moved (turned by quarters), four new. Wet: three quarters gone, a streak left. Statuses of motes over 1.2 times both",
              "floors.", "", "| between the frames | statuses right |", "| --- | ---: |"]
    right, streaks, wrong = rechecked(program, folder, seed, 6)
    lines += [f"| {sort} | {good} of {every} |" for sort, (good, every) in right.items()]
    good, every = (sum(pair[i] for pair in right.values()) for i in (0, 1))
    missed = ", ".join(f"{key}: {n}" for key, n in sorted(wrong.items(), key=lambda w: -w[1]))
    lines += [f"| all | **{good} of {every}** ({100 * good / every:.1f} %) |", "", f"{streaks[0]} of {streaks[1]} streaks were told. Wrong: {missed}."]
    lines += ["", "## Mending", "", "Ten skies by one body, test frame at f/16, another place of the pupil in each. PSNR in dB, sRGB-coded, against the same picture without motes,",
              "noise and coding alike; the median, and the worst shadow.", "", "| | kind | f-number | shadows | before | mended | worst |", "| --- | --- | --- | ---: | ---: | ---: | ---: |"]
    rows = mended(program, folder, seed)
    for suffix in (".tif", ".jpg"):
        for kind in ("crumb", "cluster", "thread"):
            for stops in ((5.6, 8.0, 11.0), (16.0,), (22.0,)):
                some = [r for r in rows if r[0] == suffix and r[1] == kind and r[2] in stops]
                if some:
                    before, after = (np.median([r[i] for r in some]) for i in (3, 4))
                    stop = "f/5.6 to f/11" if len(stops) > 1 else f"f/{stops[0]:g}"
                    lines.append(f"| {'TIFF' if suffix == '.tif' else 'JPEG'} | {kind} | {stop} | {len(some)} | {before:.1f} | **{after:.1f}** | {min(r[4] for r in some):.1f} |")
    worse = sum(r[4] < r[3] - 0.1 for r in rows)
    lines += ["", f"{worse} of {len(rows)} shadows are worse than before.", ""]
    out.write_text("\n".join(lines))
    print("\n".join(lines))


if __name__ == "__main__":
    main()
