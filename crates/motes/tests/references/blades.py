"""Centre depth of a small mote's shadow through pupils of straight blades: numeric Fresnel propagation on a grid of 0.25 um.

Run: python3 blades.py   (needs numpy; takes about a minute)
Prints the depth in a cell of 5 um over that of rays through a round pupil, (mote / pupil)^2, for src/diffraction.rs.
"""
import numpy as np

GREEN = [0.513, 0.557]
L, N = 1024.0, 4096
DX = L / N
x = (np.arange(N) - N / 2) * DX
X, Y = np.meshgrid(x, x)
f = np.fft.fftfreq(N, DX)
FX, FY = np.meshgrid(f, f)
F2 = FX**2 + FY**2


def disc(diameter):
    return np.clip((diameter / 2 - np.hypot(X, Y)) / DX + 0.5, 0, 1)


def polygon(diameter, blades):
    """Regular, of the same area as the disc."""
    half = np.pi / blades
    side = diameter / 2 * np.sqrt(half / np.tan(half))
    turns = 2 * half * np.arange(blades)
    beyond = np.max([X * np.cos(t) + Y * np.sin(t) for t in turns], axis=0)
    return np.clip((side - beyond) / DX + 0.5, 0, 1)


def spectrum(plane):
    return np.fft.fft2(np.fft.ifftshift(plane))


def depths(mote, distance, pupil, counts):
    hole = spectrum(disc(mote))
    lost = 0
    for l in GREEN:
        v = np.fft.ifft2(hole * np.exp(-1j * np.pi * l * distance * F2))
        lost = lost + (2 * v.real - abs(v) ** 2) / len(GREEN)
    cell = np.sinc(5 * FX) * np.sinc(5 * FY)
    lost = np.fft.fft2(lost) * cell
    for n in counts:
        opening = polygon(pupil, n) if n else disc(pupil)
        shadow = np.fft.ifft2(lost * spectrum(opening / opening.sum())).real
        yield n, round(float(shadow[0, 0] / (mote / pupil) ** 2), 3)


for mote, distance, pupil in [(8, 1460, 73.6), (8, 1050, 66.3)]:
    print(mote, distance, pupil, list(depths(mote, distance, pupil, [0, 5, 6, 9])))
