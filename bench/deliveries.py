"""Finished pictures of another make: scenes, a camera and an editor written apart from the project's own, to see what sign-off makes of them.

    deliveries.py PROGRAM FOLDER OUT.md [SEED]

Every scene is painted here; shadows are `other.py`'s. Noise, demosaicing's blur and a tone curve, then what an editor does: rotation, perspective,
crop, size (all on the codes), noise reduction, sharpening, JPEG or 16 bits. Each scene is delivered twice, without motes and with them. What a mark comes
to is measured on noise-free pictures of both, against Blackwell's thresholds (1946, by Clark 1990).
"""

import math
import sys
from pathlib import Path

import cv2
import numpy as np

from other import HEIGHT, PITCH, WIDTH, body_of, cast, coded, dust, save, told

LUMINANCE = np.array([0.2126, 0.7152, 0.0722], np.float32)  # IEC 61966-2-1
DOWN, ACROSS = np.mgrid[0:HEIGHT, 0:WIDTH].astype(np.float32) / WIDTH


def clouds(rng, power):
    """Noise of a power law, mean 0 and deviation 1."""
    h, w = 512, 768
    f = np.hypot(np.fft.fftfreq(h)[:, None] * h, np.fft.rfftfreq(w)[None, :] * w).clip(2)
    wave = np.fft.irfft2(np.fft.rfft2(rng.normal(size=(h, w))) / f**power, (h, w))
    return cv2.resize((wave / wave.std()).astype(np.float32), (WIDTH, HEIGHT), interpolation=cv2.INTER_CUBIC)


def filled(*rgb):
    return np.full((HEIGHT, WIDTH, 3), rgb, np.float32)


def air(rng, low=(0.55, 0.62, 0.68), high=(0.16, 0.30, 0.55)):
    part = (DOWN / DOWN.max())[..., None]
    sky = np.float32(high) * (1 - part) + np.float32(low) * part
    return sky * (1 + 0.02 * clouds(rng, 2.5)[..., None])


def over(picture, mask, colour):
    mask = mask[..., None].astype(np.float32)
    return picture * (1 - mask) + np.float32(colour) * mask


def ridge(rng, height, rough):
    steps = np.cumsum(rng.normal(size=WIDTH)) + 0.3 * rng.normal(size=WIDTH)
    steps = cv2.GaussianBlur(steps.astype(np.float32)[None, :], (0, 0), 2)[0]
    return HEIGHT * height + rough * (steps - steps.mean()) / steps.std()


def strokes(picture, rng, count, colour, length, width, where, bend=0.3):
    for _ in range(count):
        x, y, l, a = rng.uniform(0, WIDTH), rng.uniform(*where) * HEIGHT, rng.uniform(*length), rng.uniform(-bend, bend)
        points = np.array([[x, y], [x + l * math.sin(a) / 2, y - l / 2], [x + l * math.sin(a * 2), y - l]])
        shade = [float(c * rng.uniform(0.6, 1.4)) for c in colour]
        cv2.polylines(picture, [(points * 16).astype(np.int32)], False, shade, max(1, int(rng.uniform(*width))), cv2.LINE_AA, 4)


def spot(picture, x, y, colour, wide, high=None, angle=0.0):
    """An ellipse of these half axes, at a part of a pixel."""
    box = ((x, y), (2 * wide, 2 * (high or wide)), angle)
    outline = cv2.boxPoints(box)
    middle, (a, b) = outline.mean(0), ((outline[3] - outline[0]) / 2, (outline[1] - outline[0]) / 2)
    t = np.linspace(0, math.tau, 48, endpoint=False)[:, None]
    cv2.fillPoly(picture, [(16 * (middle + np.cos(t) * a + np.sin(t) * b)).astype(np.int32)], colour, cv2.LINE_AA, 4)


def hills(rng):
    sky = air(rng)
    veil = np.clip(clouds(rng, 1.8) * 0.6 - 0.2, 0, 1)
    picture = over(sky, 0.8 * veil, (0.8, 0.8, 0.82))
    for k in range(4):
        line = ridge(rng, 0.55 + 0.1 * k, 60)
        shade = 0.25 - 0.05 * k
        land = shade * (1 + 0.25 * clouds(rng, 1.0)[..., None]) * np.float32([0.8, 1.0, 0.7])
        mask = np.clip(np.arange(HEIGHT)[:, None] - line[None, :], 0, 1)[..., None].astype(np.float32)
        picture = picture * (1 - mask) + land * mask
    for _ in range(int(rng.integers(0, 9))):  # birds
        x, y, s = rng.uniform(0, WIDTH), rng.uniform(0.05, 0.5) * HEIGHT, rng.uniform(5, 18)
        wing = np.array([[x - s, y - 0.4 * s], [x - 0.4 * s, y - 0.6 * s], [x, y], [x + 0.4 * s, y - 0.6 * s], [x + s, y - 0.3 * s]])
        cv2.polylines(picture, [(wing * 16).astype(np.int32)], False, (0.03, 0.03, 0.03), max(1, int(s / 5)), cv2.LINE_AA, 4)
    return picture


def sea(rng):
    sky = air(rng, (0.85, 0.55, 0.3), (0.2, 0.28, 0.45))
    x, y = rng.uniform(0.3, 0.7), rng.uniform(0.25, 0.36)
    r = np.hypot(ACROSS - x, DOWN - y)
    sky = sky + np.float32([0.9, 0.6, 0.3]) * np.exp(-r / 0.08)[..., None] + 3 * (r < 0.012)[..., None]
    line = 0.42
    depth = np.clip(DOWN - line, 1e-4, None)
    waves = np.sin(40 / (depth + 0.01) ** 0.5 + 6 * clouds(rng, 1.2)) + clouds(rng, 0.7)
    water = (0.12 + 0.5 * depth)[..., None] * np.float32([0.7, 0.9, 1.0]) * (1 + 0.3 * waves[..., None])
    water = water + (np.exp(-np.abs(ACROSS - x) / (0.02 + 0.2 * depth)) * np.clip(waves - 0.3, 0, 2) * 0.6)[..., None] * np.float32([1, 0.8, 0.5])
    return np.where((DOWN > line)[..., None], water, sky).astype(np.float32)


def facade(rng):
    picture = air(rng)
    top, wall = int(HEIGHT * rng.uniform(0.1, 0.3)), rng.uniform(0.3, 0.6) * np.float32([1.0, 0.95, 0.85])
    plaster = wall * (1 + 0.02 * clouds(rng, 1.5)[..., None] + 0.01 * rng.normal(size=(HEIGHT, WIDTH, 1)))
    picture[top:] = plaster[top:]
    across, down = int(rng.integers(4, 9)), int(rng.integers(3, 6))
    step = (WIDTH / across, (HEIGHT - top) / down)
    for i in range(across):
        for j in range(down):
            x, y = int((i + 0.3) * step[0]), int(top + (j + 0.2) * step[1])
            w, h = int(0.4 * step[0]), int(0.6 * step[1])
            cv2.rectangle(picture, (x - 12, y - 12), (x + w + 12, y + h + 12), (0.7, 0.68, 0.62), -1)
            picture[y : y + h, x : x + w] = np.float32([0.05, 0.08, 0.11]) * rng.uniform(0.5, 3) * np.linspace(1.6, 0.6, h)[: HEIGHT - y, None, None]
            cv2.line(picture, (x + w // 2, y), (x + w // 2, y + h), (0.6, 0.6, 0.55), 8)
    for j in range(down):
        y = int(top + j * step[1])
        cv2.rectangle(picture, (0, y), (WIDTH, y + 16), tuple(float(c) for c in wall * 0.8), -1)
    for _ in range(int(rng.integers(0, 12))):  # bolts and stains
        x, y = rng.uniform(0, WIDTH), rng.uniform(top + 30, HEIGHT)
        spot(picture, x, y, (0.1, 0.09, 0.08), rng.uniform(1.5, 6))
    return picture


def night(rng):
    picture = air(rng, (0.05, 0.04, 0.05), (0.008, 0.01, 0.02))
    for _ in range(250):  # stars
        y, x = int(rng.uniform(0, 0.6) * HEIGHT), int(rng.uniform(0, WIDTH))
        picture[y : y + 2, x : x + 2] += rng.uniform(0.05, 0.6)
    x = 0
    while x < WIDTH:
        w, h = int(rng.uniform(80, 320)), int(HEIGHT * rng.uniform(0.25, 0.6))
        picture[HEIGHT - h :, x : x + w] = np.float32([0.012, 0.012, 0.014]) * rng.uniform(0.5, 2)
        for j in range(HEIGHT - h + 20, HEIGHT, 34):
            for i in range(x + 14, min(x + w - 20, WIDTH - 20), 30):
                if rng.uniform() < 0.35:
                    picture[j : j + 16, i : i + 12] = np.float32([0.9, 0.6, 0.25]) * rng.uniform(0.1, 1)
        x += w
    glow = np.zeros((HEIGHT, WIDTH), np.float32)
    for _ in range(14):
        cv2.circle(glow, (int(rng.uniform(0, WIDTH)), int(rng.uniform(0.6, 0.98) * HEIGHT)), int(rng.integers(3, 8)), 3, -1)
    return picture + (glow + 3 * cv2.GaussianBlur(glow, (0, 0), 25) + 6 * cv2.GaussianBlur(glow, (0, 0), 90))[..., None] * np.float32([1, 0.75, 0.4])


def snow(rng):
    picture = air(rng)
    drift = 0.75 * (1 + 0.06 * clouds(rng, 2.0) + 0.015 * clouds(rng, 0.8))[..., None] * np.float32([0.95, 0.98, 1.02])
    mask = np.clip(np.arange(HEIGHT)[:, None] - ridge(rng, 0.35, 50)[None, :], 0, 1)[..., None].astype(np.float32)
    picture = picture * (1 - mask) + drift * mask
    for _ in range(int(rng.integers(20, 60))):  # stones
        y = rng.uniform(0.45, 1) * HEIGHT
        s = rng.uniform(1, 8) * (y / HEIGHT)
        spot(picture, rng.uniform(0, WIDTH), y, [float(rng.uniform(0.05, 0.25))] * 3, 1.5 * s, s, rng.uniform(0, 60))
    for _ in range(25):  # firs
        x, y, h = rng.uniform(0, WIDTH), HEIGHT * rng.uniform(0.4, 0.6), rng.uniform(40, 160)
        cv2.fillPoly(picture, [np.array([[x, y - h], [x - h / 4, y], [x + h / 4, y]]).astype(np.int32)], (0.03, 0.05, 0.03), cv2.LINE_AA)
    return picture


def room(rng):
    lamp = np.exp(-((ACROSS - rng.uniform(0.2, 0.8)) ** 2 + (DOWN - 0.1) ** 2) / 0.25)
    picture = (0.25 + 0.4 * lamp)[..., None] * np.float32([1.0, 0.93, 0.82]) * (1 + 0.006 * clouds(rng, 1.0)[..., None])
    floor = int(HEIGHT * 0.8)
    boards = 0.15 * (1 + 0.2 * np.sin(ACROSS * 60 + clouds(rng, 1.5)) + 0.1 * clouds(rng, 0.6))
    picture[floor:] = (boards[..., None] * np.float32([1.0, 0.6, 0.35]))[floor:]
    cv2.rectangle(picture, (0, floor - 40), (WIDTH, floor), (0.75, 0.74, 0.7), -1)
    for _ in range(int(rng.integers(1, 4))):  # pictures on the wall
        x, y, w, h = int(rng.uniform(0, 0.8) * WIDTH), int(rng.uniform(0.15, 0.5) * HEIGHT), int(rng.integers(200, 600)), int(rng.integers(150, 400))
        cv2.rectangle(picture, (x - 14, y - 14), (x + w + 14, y + h + 14), (0.05, 0.04, 0.03), -1)
        picture[y : y + h, x : x + w] = (0.3 + 0.15 * clouds(rng, 1.2))[y : y + h, x : x + w, None].clip(0.02) * np.float32(rng.uniform(0.4, 1.2, 3))
    for _ in range(int(rng.integers(2, 6))):  # ceiling spots, a socket, nails
        spot(picture, rng.uniform(0, WIDTH), rng.uniform(0.02, 0.1) * HEIGHT, (2, 1.8, 1.5), rng.uniform(8, 20))
        spot(picture, rng.uniform(0, WIDTH), rng.uniform(0.15, 0.7) * HEIGHT, (0.08, 0.08, 0.08), rng.uniform(1, 4))
    return picture


def leaves(rng):
    picture = air(rng) * 1.1
    for k in range(6000):
        x, y = rng.uniform(0, WIDTH), HEIGHT * (1 - rng.beta(1.2, 2.5) * 0.95)
        s, light = rng.uniform(6, 28), rng.uniform(0.25, 1.5)
        colour = [float(c * light) for c in (0.08, 0.16, 0.03)]
        cv2.ellipse(picture, (int(x * 16), int(y * 16)), (int(16 * s), int(7 * s)), rng.uniform(0, 180), 0, 360, colour, -1, cv2.LINE_AA, 4)
    return picture


def sand(rng):
    picture = air(rng)
    line = ridge(rng, 0.4, 40)
    phase = 90 * DOWN / (0.2 + DOWN) * 6 + 2.5 * clouds(rng, 1.6)
    dune = (0.45 + 0.1 * clouds(rng, 2.2) + 0.05 * np.sin(phase) + 0.02 * rng.normal(size=phase.shape))[..., None].clip(0.05)
    mask = np.clip(np.arange(HEIGHT)[:, None] - line[None, :], 0, 1)[..., None].astype(np.float32)
    return picture * (1 - mask) + dune * np.float32([1.0, 0.75, 0.5]) * mask


def meadow(rng):
    picture = air(rng)
    picture[int(0.45 * HEIGHT) :] = np.float32([0.08, 0.13, 0.04])
    strokes(picture, rng, 9000, (0.1, 0.18, 0.05), (20, 90), (1, 4), (0.46, 1.05))
    for _ in range(int(rng.integers(40, 200))):
        spot(picture, rng.uniform(0, WIDTH), rng.uniform(0.5, 1) * HEIGHT, rng.uniform(0.2, 0.9, 3).tolist(), rng.uniform(1.5, 7))
    return picture


def fog(rng):
    picture = filled(0.55, 0.57, 0.6) * (1 + 0.05 * clouds(rng, 2.5)[..., None])
    for _ in range(30):
        x, y, h, far = rng.uniform(0, WIDTH), HEIGHT * rng.uniform(0.75, 1), rng.uniform(200, 900), rng.uniform(0.2, 0.9)
        layer = np.zeros((HEIGHT, WIDTH), np.float32)
        cv2.line(layer, (int(x), int(y)), (int(x + rng.normal() * 20), int(y - h)), 1, max(2, int(h / 50)), cv2.LINE_AA)
        for _ in range(14):
            at, l, side = rng.uniform(0.2, 1), rng.uniform(0.1, 0.3) * h, rng.choice([-1, 1])
            cv2.line(layer, (int(x), int(y - at * h)), (int(x + side * l), int(y - at * h - 0.6 * l)), 1, max(1, int(h / 150)), cv2.LINE_AA)
        picture = over(picture, (1 - far) * cv2.GaussianBlur(layer, (0, 0), 0.6 + 2 * far), (0.2, 0.21, 0.22))
    return picture


def concrete(rng):
    picture = 0.42 * filled(1.0, 0.98, 0.95) * (1 + 0.05 * clouds(rng, 1.6)[..., None] + 0.02 * rng.normal(size=(HEIGHT, WIDTH, 1)).astype(np.float32))
    step = int(rng.integers(350, 700))
    for x in range(step // 2, WIDTH, step):
        cv2.line(picture, (x, 0), (x, HEIGHT), (0.25, 0.24, 0.23), 3, cv2.LINE_AA)
        for y in range(step // 3, HEIGHT, step):
            for dx in (-step // 4, step // 4):  # tie holes: a regular pattern of round, dark holes
                spot(picture, x + dx, y, (0.08, 0.08, 0.08), 9)
    for _ in range(150):  # blow holes
        spot(picture, rng.uniform(0, WIDTH), rng.uniform(0, HEIGHT), [float(rng.uniform(0.15, 0.3))] * 3, math.exp(rng.uniform(-0.5, 1.6)))
    return picture


def harbour(rng):
    picture = air(rng)
    line = int(HEIGHT * 0.6)
    ripples = 0.2 * (1 + 0.25 * np.sin(60 * DOWN / (DOWN - 0.39).clip(0.02) + 5 * clouds(rng, 1.0)) + 0.1 * clouds(rng, 0.8))
    picture[line:] = (ripples[..., None] * np.float32([0.7, 0.9, 1.1]))[line:]
    for _ in range(int(rng.integers(6, 18))):  # masts and ropes
        x, h = rng.uniform(0, WIDTH), rng.uniform(300, 900)
        cv2.line(picture, (int(x), line), (int(x), int(line - h)), [float(rng.uniform(0.05, 0.7))] * 3, int(rng.integers(3, 8)), cv2.LINE_AA)
        cv2.line(picture, (int(x), int(line - h)), (int(x + rng.normal() * 200), line), (0.1, 0.1, 0.1), 1, cv2.LINE_AA)
    for _ in range(int(rng.integers(0, 14))):  # buoys and gulls
        y = rng.uniform(0.62, 0.95) * HEIGHT
        spot(picture, rng.uniform(0, WIDTH), y, rng.uniform(0.05, 0.8, 3).tolist(), rng.uniform(3, 12))
        spot(picture, rng.uniform(0, WIDTH), rng.uniform(0.05, 0.5) * HEIGHT, (0.8, 0.8, 0.8), rng.uniform(4, 12), 2, rng.uniform(-30, 30))
    return picture


SCENES = (hills, sea, facade, night, snow, room, leaves, sand, meadow, fog, concrete, harbour)
SCENES_WANTED = 3 * len(SCENES)
SHARES = (0.06, 0.2, 0.74)  # of threads, clusters and crumbs


def taken(light, rng, full):
    """With noise of photons and of reading, a demosaicer's blur and, of the colours, a noise reducer's."""
    noise = rng.normal(size=light.shape).astype(np.float32) * np.sqrt(light.clip(0) / full + (4 / full) ** 2)
    noise = cv2.GaussianBlur(noise, (0, 0), 0.55)
    grey = noise @ LUMINANCE
    return light + grey[..., None] + 0.4 * (noise - grey[..., None])


def editor(rng):
    """What an editor does: a way to write a picture of linear light, and where a place goes."""
    crop, size, angle = rng.uniform(0.6, 1), math.exp(rng.uniform(math.log(0.5), math.log(2))), math.radians(rng.uniform(-3, 3)) * (rng.uniform() < 0.6)
    lean = rng.uniform(-0.1, 0.1, 2) * (rng.uniform() < 0.4)
    w, h = int(WIDTH * crop * size), int(HEIGHT * crop * size)
    off = np.array([WIDTH, HEIGHT]) * (1 - crop) * rng.uniform(-0.45, 0.45, 2)
    c, s = math.cos(angle), math.sin(angle)
    to_middle = np.array([[1, 0, -WIDTH / 2 - off[0]], [0, 1, -HEIGHT / 2 - off[1]], [0, 0, 1]])
    turn = np.array([[c, -s, 0], [s, c, 0], [lean[0] / WIDTH, lean[1] / HEIGHT, 1]])
    way = np.array([[1, 0, w / 2], [0, 1, h / 2], [0, 0, 1]]) @ np.diag([size, size, 1]) @ turn @ to_middle
    gain, curve, colour = rng.uniform(0.85, 1.2), rng.uniform(0, 1.6), rng.uniform(0.8, 1.4)
    sharp, radius, smooth = rng.uniform(0, 1.2), rng.uniform(0.6, 1.6), rng.uniform() < 0.3
    centres = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1]])

    def finish(light):
        code = coded((light * gain).clip(0, 1), curve).astype(np.float32)
        if smooth:
            code = cv2.bilateralFilter(code, 5, 0.03, 1.5)
        if size < 1:
            code = cv2.GaussianBlur(code, (0, 0), 0.4 / size)
        code = cv2.warpPerspective(code, np.linalg.inv(centres) @ way @ centres, (w, h), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
        grey = (code @ LUMINANCE)[..., None]
        code = grey + colour * (code - grey)
        return (code + sharp * (code - cv2.GaussianBlur(code, (0, 0), radius))).clip(0, 1)

    def place(x, y):
        u, v, t = way @ (x, y, 1)
        return u / t, v / t

    return finish, place, size


def threshold(arcmin, luminance):
    """Contrast that a disc must have to be seen half of the time: Blackwell 1946 as tabulated by Clark 1990, by lines through the logarithms."""
    across = np.log([0.595, 3.60, 9.68, 18.2, 55.2, 121, 360])
    rows = [(27, (-0.0424, -1.5529, -2.2297, -2.4214, -2.5343, -2.5501, -2.5552)), (68, (-0.1238, -1.6252, -2.2791, -2.4462, -2.5463, -2.5597, -2.5646)),
            (171, (-0.1982, -1.6851, -2.3140, -2.4572, -2.5481, -2.5615, -2.5665))]
    least = [np.interp(math.log(arcmin), across, row) for _, row in rows]
    faint = 0.4 * max(0.0, math.log10(27 / max(luminance, 1e-3)))  # below the table: about as its Ricco products go; a guess
    return 10 ** (np.interp(math.log(max(luminance, 1e-3)), np.log([r[0] for r in rows]), least) + faint)


FIELD = 2.4  # a person who looks a picture over, against one who is told where to look (practice of lighting, from memory)
ROSE = 5.0  # Rose, J. Opt. Soc. Am. 38, 1948: what is told from noise


def lightness(code):
    return np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4) @ LUMINANCE


def marks(truth, place, size, body, stop, clean, dusty, seen):
    """What each shadow comes to in the finished picture: where, how wide, how often over the threshold, whether by itself in a plain place."""
    height, width = clean.shape
    viewings = [(25.4 / 110 / 600, 120), (max(600 / max(clean.shape), 400 / min(clean.shape)) / math.hypot(600, 400), 135)]
    spots = []
    for m in truth:
        x, y = place(m["x"], m["y"])
        wide = max(2.0, 1.1 * max(m["diameter"], body["height"] * 1000 / stop) / PITCH * size)
        reach = int(3 * wide) + 4
        left, top = int(x) - reach, int(y) - reach
        if left < 0 or top < 0 or left + 2 * reach >= width or top + 2 * reach >= height:
            spots.append({"x": x, "y": y, "width": wide, "due": False})
            continue
        part = np.s_[top : top + 2 * reach, left : left + 2 * reach]
        v, u = np.mgrid[0 : 2 * reach, 0 : 2 * reach] + 0.5
        r = np.hypot(u + left - x, v + top - y)
        ground = max(1e-4, float(clean[part][r < wide].mean()))
        lost, grain = 1 - dusty[part] / clean[part].clip(1e-4), (seen[part] - dusty[part]) / ground
        times = contrast = 0.0
        for radius in wide * np.array([0.3, 0.4, 0.5, 0.65]):
            disc = (r <= max(radius, 0.8)).astype(np.float32)
            mean = float(lost[disc > 0].mean())
            kernel = np.hypot(*np.mgrid[-int(radius) - 1 : int(radius) + 2, -int(radius) - 1 : int(radius) + 2]) <= max(radius, 0.8)
            stray = float(cv2.filter2D(grain.astype(np.float32), -1, kernel / kernel.sum())[(r > 1.2 * wide) & (r < 2.6 * wide)].std())
            for angle, white in viewings:
                arcmin = 2 * max(radius, 0.8) * angle * 60 * 180 / math.pi
                over_least = mean / math.hypot(FIELD * threshold(arcmin, white * ground), ROSE * stray)
                if over_least > times:
                    times, contrast = over_least, mean
        soft = cv2.GaussianBlur(clean[part], (0, 0), 0.3 * wide) / ground
        ring = r < 2.4 * wide
        flat = np.stack([np.ones(ring.sum()), u[ring] - reach, v[ring] - reach], 1)
        rest = soft[ring] - flat @ np.linalg.lstsq(flat, soft[ring], rcond=None)[0]
        spots.append({"x": x, "y": y, "width": wide, "kind": m["kind"], "times": times, "contrast": contrast, "due": times >= 2 and float(np.abs(rest).max()) < 0.2 * contrast})
    for a in spots:
        near = lambda b: math.hypot(a["x"] - b["x"], a["y"] - b["y"]) < 2 * a["width"] + b["width"] * (4 if b.get("kind") == "thread" else 1)
        a["due"] = a["due"] and not any(b is not a and near(b) for b in spots)
    return spots


def delivered(program, folder, seed, k):
    """One scene without motes and with them: the file, its marks, what the program says."""
    rng = np.random.default_rng([seed, k])
    scene = SCENES[k % len(SCENES)]
    light = cv2.GaussianBlur(scene(rng).clip(0.001, 4).astype(np.float32), (0, 0), rng.uniform(0.5, 0.9))  # the lens
    body, stop = body_of(rng), float(rng.choice([5.6, 8, 11, 16, 22]))
    passed = [np.ones((HEIGHT, WIDTH), np.float32) for _ in range(3)]
    truth = [cast(m, stop, body, passed) for m in dust(rng, 40, (12, 110), SHARES)]
    finish, place, size = editor(rng)
    full = rng.uniform(4000, 60000)
    kind, quality = (".jpg", ".jpg", ".tif", ".png")[int(rng.integers(4))], int(rng.integers(85, 96))
    dim = np.stack(passed, 2)
    pictures = {"clean": lightness(finish(light)), "dusty": lightness(finish(light * dim))}
    for glass, shown in (("clean", light), ("dusty", light * dim)):
        code = finish(taken(shown, rng, full))
        path = folder / f"{seed}-{k:02}-{scene.__name__}-{glass}{kind}"
        save(path, code, quality)
        found = marks(truth, place, size, body, stop, pictures["clean"], pictures["dusty"], lightness(code)) if glass == "dusty" else []
        yield path, found, told(program, "signoff", path)["files"][0]


def main():
    program, folder, out = sys.argv[1], Path(sys.argv[2]), Path(sys.argv[3])
    seed = int(sys.argv[4]) if len(sys.argv) > 4 else 1
    folder.mkdir(parents=True, exist_ok=True)
    rows = {}
    for k in range(SCENES_WANTED):
        for path, due, said in delivered(program, folder, seed, k):
            row = rows.setdefault(SCENES[k % len(SCENES)].__name__, [0, 0, 0, 0, 0, 0])
            far = lambda s, m: math.hypot(s["x_px"] - m["x"], s["y_px"] - m["y"])
            held = [s for s in said["suspects"] if s["counts"]]
            loose = [s for s in held if all(far(s, m) > max(1.2 * max(m["width"], s["width_px"]) * (3 if m.get("kind") == "thread" else 1), 3) for m in due)]
            at = 2 if due else 0
            row[at], row[at + 1] = row[at] + 1, row[at + 1] + len(loose)
            for s in loose:
                print(f"FALSE {path}:{s['x_px']:.0f}:{s['y_px']:.0f} w {s['width_px']:.1f} c {s['contrast']:.3f} t {s['times_threshold']:.1f}", flush=True)
            for m in (m for m in due if m["due"]):
                near = [s for s in said["suspects"] if far(s, m) < max(0.6 * max(m["width"], s["width_px"]), 3)]
                hit = any(s["counts"] for s in near)
                row[4], row[5] = row[4] + hit, row[5] + 1
                if not hit:
                    print(f"MISSED {path}:{m['x']:.0f}:{m['y']:.0f} {m['kind']} w {m['width']:.1f} c {m['contrast']:.3f} t {m['times']:.1f}", near[0]["reason"] if near else "not listed", flush=True)
            path.unlink()
    total = [sum(r[i] for r in rows.values()) for i in range(6)]
    lines = ["# Deliveries of another make", "", f"Written by `bench/deliveries.sh {seed}`: {SCENES_WANTED} scenes painted, taken and edited apart from the project's own (`deliveries.py`), each delivered without",
             "motes and with forty. Marks at least twice over the threshold (Blackwell's, times 2.4) by themselves in plain places.", "",
             "| scene | marks found | false suspects in clean pictures | in pictures with motes |", "| --- | ---: | ---: | ---: |"]
    lines += [f"| {name} | {r[4]} of {r[5]} | {r[1]} in {r[0]} | {r[3]} in {r[2]} |" for name, r in rows.items()]
    lines += [f"| all | **{total[4]} of {total[5]}** ({100 * total[4] / max(total[5], 1):.1f} %) | {total[1] / total[0]:.2f} a picture | {total[3] / max(total[2], 1):.2f} a picture |", ""]
    out.write_text("\n".join(lines))
    print("\n".join(lines))


if __name__ == "__main__":
    main()
