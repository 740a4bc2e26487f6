"""Scores mended pictures and general-purpose inpainting of the same pictures against the clean truth.

mend.py PAIRS TSV MARKDOWN: PAIRS as `mend_pairs` wrote it, with the mended copies in PAIRS/*/mended.
Inpainting gets the true masks (where the true shadow takes more than a bound of the light), at every setting of a grid; of
each method the setting with the best median counts.
"""

import glob
import json
import os
import sys

import cv2
import numpy as np
import skimage
import tifffile
from skimage.restoration import inpaint_biharmonic

BANDS = [(0.02, 0.05), (0.05, 0.12), (0.12, 0.25), (0.25, 0.5), (0.5, 0.75), (0.75, 1.01)]
TEXTURED = 0.03  # spread of the truth inside, as share of its light, about a plane


def coded(light):
    light = np.clip(light, 0, 1)
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.power(light, 1 / 2.4) - 0.055)


def spread(truth, inside):
    y, x = np.nonzero(inside)
    z = np.log(np.maximum(truth[y, x, 1], 1e-4))
    base = np.stack([np.ones_like(x), x, y], 1).astype(float)
    fit, *_ = np.linalg.lstsq(base, z, rcond=None)
    return float(np.std(z - base @ fit))


def methods():
    for radius in (2, 3, 5, 8, 12):
        yield "fast marching (Telea 2004)", f"radius {radius}", lambda p, m, r=radius: cv2.inpaint(p, m, r, cv2.INPAINT_TELEA)
        yield "Navier-Stokes (Bertalmio 2001)", f"radius {radius}", lambda p, m, r=radius: cv2.inpaint(p, m, r, cv2.INPAINT_NS)

    def biharmonic(p, m):
        done = inpaint_biharmonic(p.astype(np.float64) / 255, m > 0, channel_axis=-1)
        return np.clip(done * 255, 0, 255).round().astype(np.uint8)

    yield "biharmonic (scikit-image)", "", biharmonic


def main(pairs, tsv, markdown):
    rows = []
    for folder in sorted(glob.glob(os.path.join(pairs, "*", ""))):
        truth_file = json.load(open(os.path.join(folder, "truth.json")))
        size = (truth_file["height"], truth_file["width"], 3)
        mode = os.path.basename(folder.rstrip("/"))
        for path in sorted(glob.glob(os.path.join(folder, "pictures", "*.tif"))):
            name = os.path.splitext(os.path.basename(path))[0]
            clean = np.fromfile(os.path.join(folder, name + ".clean"), "<f4").reshape(size)
            passed = np.fromfile(os.path.join(folder, name + ".passed"), "<f4").reshape(size)
            shown = tifffile.imread(path).astype(np.float64) / 65535
            mended = tifffile.imread(os.path.join(folder, "mended", name + ".tif")).astype(np.float64) / 65535
            want = coded(clean)
            linear = np.where(shown <= 0.04045, shown / 12.92, ((shown + 0.055) / 1.055) ** 2.4)
            exact = coded(linear / np.maximum(passed, 1e-3))
            lost = 1 - passed.min(axis=2)
            marks = (lost > 0.01).astype(np.uint8)
            _, labels = cv2.connectedComponents(marks)
            places = [(k, labels == k) for k in range(1, labels.max() + 1)]
            for k, place in places:
                depth = float(lost[place].max())
                inside = place & (lost > 0.1 * depth)
                if depth < BANDS[0][0] or inside.sum() < 20:
                    continue
                y, x = np.nonzero(place)
                margin = 24
                box = np.s_[max(0, y.min() - margin) : y.max() + margin, max(0, x.min() - margin) : x.max() + margin]

                def score(picture, box=box, inside=inside):
                    return float(-10 * np.log10(np.mean((picture[box] - want[box])[inside[box]] ** 2)))

                row = dict(mode=mode, picture=name, depth=depth, textured=spread(clean, inside) > TEXTURED)
                row.update(unmended=score(shown), exact=score(exact), mended=score(mended))
                small = (np.clip(shown[box], 0, 1) * 255).round().astype(np.uint8)
                for method, setting, run in methods():
                    for bound in (0.01, 0.03):
                        mask = (place & (lost > max(bound, 0.02 * depth)))[box].astype(np.uint8) * 255
                        if mask.sum() == 0:
                            continue
                        if method.startswith("biharmonic") and (mask > 0).sum() > 2500:
                            continue
                        filled = run(small, mask).astype(np.float64) / 255
                        error = np.mean((filled - want[box])[inside[box]] ** 2)
                        row[f"{method}|{setting} mask {bound}"] = float(-10 * np.log10(error))
                rows.append(row)
            print(mode, name, len(places), "places", flush=True)
    write(rows, tsv, markdown)


def median(values):
    values = [v for v in values if v is not None]
    return float(np.median(values)) if values else float("nan")


def write(rows, tsv, markdown):
    keys = sorted({k for row in rows for k in row if "|" in k})
    names = sorted({k.split("|")[0] for k in keys})
    with open(tsv, "w") as out:
        head = ["mode", "picture", "depth", "textured", "unmended", "exact", "mended"]
        out.write("\t".join(head + keys) + "\n")
        for row in rows:
            cells = [row["mode"], row["picture"], f"{row['depth']:.3f}", str(row["textured"])]
            cells += [f"{row[k]:.2f}" for k in head[4:]] + [f"{row[k]:.2f}" if k in row else "" for k in keys]
            out.write("\t".join(cells) + "\n")
    lines = [
        "# Mending beside general-purpose inpainting",
        "",
        "Written by `bench/mend.sh`. PSNR in dB inside each shadow (where it takes more than a tenth of its own depth), sRGB-coded, against the",
        "noise-free clean truth; medians over shadows of five painted views at f/11 and f/16, 16-bit TIFF, both ways of making shadows",
        "(synthetic camera). Inpainting is given the true masks and runs at every setting of a grid; each cell is its best setting in that row.",
        f"opencv-python {cv2.__version__}, scikit-image {skimage.__version__}; biharmonic only where at most 2500 pixels are missing.",
        "",
        "In plain places filling can come above the noise floor, since it takes the grain away: that is a smooth patch in a grainy sky, no gain.",
        "",
        "| place | depth | shadows | unmended | true shadow divided | **mended** | " + " | ".join(names) + " | mended above the best |",
        "| --- | --- | ---: | ---: | ---: | ---: |" + " ---: |" * (len(names) + 1),
    ]
    for textured in (False, True):
        for low, high in BANDS + [(BANDS[0][0], 1.01)]:
            band = [r for r in rows if r["textured"] == textured and low <= r["depth"] < high]
            if not band:
                continue
            best = []
            for name in names:
                settings = [median([r.get(k) for r in band]) for k in keys if k.startswith(name + "|")]
                settings = [s for s in settings if not np.isnan(s)]
                best.append(max(settings) if settings else float("nan"))
            mended = median([r["mended"] for r in band])
            cells = ["textured" if textured else "plain", f"{low:.2f} to {min(high, 1):.2f}", str(len(band))]
            cells += [f"{median([r[k] for r in band]):.1f}" for k in ("unmended", "exact")] + [f"**{mended:.1f}**"]
            cells += [f"{b:.1f}" for b in best] + [f"{mended - np.nanmax(best):+.1f}"]
            lines.append("| " + " | ".join(cells) + " |")
    with open(markdown, "w") as out:
        out.write("\n".join(lines) + "\n")
    print("\n".join(lines))


if __name__ == "__main__":
    main(*sys.argv[1:4])
