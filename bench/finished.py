"""Finished pictures mended by their originals, held against the clean truth finished alike.

finished.py PROGRAM PAIRS WORK MARKDOWN: PAIRS as `mend_pairs` wrote it. Every view is cropped, turned, put into perspective, resized and
toned at random (seed 5), written as TIFF of 16 bits or JPEG 92, and mended by the wall of its body and its original.
"""

import os
import shutil
import subprocess
import sys

import cv2
import numpy as np
import tifffile

from mend import coded

SIZE = (1200, 1800)
BANDS = [(0.02, 0.12), (0.12, 0.25), (0.25, 0.5), (0.5, 1.01)]


def finishing(draw):
    """A way from the original to the finished picture: matrix, size, scale."""
    height, width = SIZE
    angle, crop = np.deg2rad(draw.uniform(-3, 3)), draw.uniform(0.65, 0.95)
    scale, lean = draw.uniform(0.6, 1.3), draw.uniform(-0.1, 0.1)
    w, h = int(width * crop * scale), int(height * crop * scale)
    c, s = np.cos(angle), np.sin(angle)
    turn = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])
    middle = np.array([[1, 0, -width / 2], [0, 1, -height / 2], [0, 0, 1.0]])
    leaning = np.array([[1, 0, 0], [0, 1, 0], [0, lean / height, 1.0]])
    back = np.array([[1, 0, w / 2], [0, 1, h / 2], [0, 0, 1.0]])
    return back @ np.diag([scale, scale, 1.0]) @ turn @ leaning @ middle, (w, h), scale


def warped(picture, way):
    matrix, size, scale = way
    picture = picture.astype(np.float32)
    if scale < 1:
        picture = cv2.GaussianBlur(picture, (0, 0), 0.45 / scale)
    return cv2.warpPerspective(picture, matrix, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT).astype(float)


def toned(code):
    return np.clip(1.02 * code - 0.03 * np.sin(2 * np.pi * code), 0, 1)


def read(path):
    if path.endswith(".tif"):
        return tifffile.imread(path).astype(float) / 65535
    return cv2.imread(path)[:, :, ::-1].astype(float) / 255


def main(program, pairs, work, markdown):
    rows, refused, pictures = [], 0, 0
    for mode in sorted(os.listdir(pairs)):
        folder, here = os.path.join(pairs, mode), os.path.join(work, mode)
        shutil.rmtree(here, ignore_errors=True)
        os.makedirs(os.path.join(here, "finished"))
        draw, truths = np.random.default_rng(5), {}
        for i, name in enumerate(sorted(n[:-4] for n in os.listdir(os.path.join(folder, "pictures")))):
            way = finishing(draw)
            clean, passed = (np.fromfile(os.path.join(folder, name + end), "<f4").reshape(*SIZE, 3) for end in (".clean", ".passed"))
            dusty = toned(warped(read(os.path.join(folder, "pictures", name + ".tif")), way))
            truths[name] = toned(warped(coded(clean), way)), 1 - warped(passed, way).min(axis=2)
            path = os.path.join(here, "finished", name + (".jpg" if i % 2 else ".tif"))
            if i % 2:
                cv2.imwrite(path, (dusty[:, :, ::-1] * 255).round().astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, 92])
            else:
                tifffile.imwrite(path, (dusty * 65535).round().astype(np.uint16))
        command = [program, "mend", os.path.join(here, "finished"), "--test-frame", os.path.join(folder, "wall.tif")]
        command += ["--originals", os.path.join(folder, "pictures"), "--out", os.path.join(here, "mended"), "--same-body", "--no-record"]
        subprocess.run(command, check=False, stdout=subprocess.DEVNULL)
        for name in sorted(os.listdir(os.path.join(here, "finished"))):
            pictures += 1
            mended = os.path.join(here, "mended", name)
            if not os.path.exists(mended):
                refused += 1
                continue
            (truth, lost), was, now = truths[name[:-4]], read(os.path.join(here, "finished", name)), read(mended)
            _, labels = cv2.connectedComponents((lost > 0.01).astype(np.uint8))
            for k in range(1, labels.max() + 1):
                place = labels == k
                depth = lost[place].max()
                inside = place & (lost > 0.1 * depth)
                if depth >= BANDS[0][0] and inside.sum() >= 20:
                    score = lambda p: float(-10 * np.log10(np.mean((p[inside] - truth[inside]) ** 2)))
                    rows.append((float(depth), score(was), score(now)))
    lines = [
        "# Finished pictures mended by their originals",
        "",
        "Written by `bench/mend.sh`. The views of [mend.md](mend.md), cropped to 65 to 95 %, turned by up to 3 degrees, in perspective of up to 10 %, resized",
        "to 60 to 130 % and toned; TIFF of 16 bits and JPEG 92 in turn. PSNR in dB inside each shadow (where it takes more than a tenth of its own depth)",
        "against the noise-free clean truth, finished alike; medians.",
        "",
        f"{pictures} pictures, {refused} left alone because their place in the original cannot be found (an empty sky has no detail).",
        "",
        "| depth | shadows | unmended | mended | worst change |",
        "| --- | ---: | ---: | ---: | ---: |",
    ]
    for low, high in BANDS:
        band = [r for r in rows if low <= r[0] < high]
        if band:
            was, now = (np.median([r[i] for r in band]) for i in (1, 2))
            worst = min(r[2] - r[1] for r in band)
            lines.append(f"| {low:g} to {min(high, 1):g} | {len(band)} | {was:.1f} | {now:.1f} | {worst:+.1f} |")
    open(markdown, "w").write("\n".join(lines) + "\n")


if __name__ == "__main__":
    main(*sys.argv[1:])
