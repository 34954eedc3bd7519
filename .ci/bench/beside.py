# What numpy and scipy take, where they are installed, a line each: "library what
# seconds Re", processor time of one call and, of a fit, ohms.
# Arguments: length of a transform, how many runs, where a fit starts.
# Standard input: lines of frequency, real and imaginary part of an impedance.
import sys
import time


def least(f, rounds):
    f()
    best = float("inf")
    for _ in range(int(sys.argv[2])):
        t = time.process_time()
        for _ in range(rounds):
            f()
        best = min(best, (time.process_time() - t) / rounds)
    return best


try:
    import numpy as np
except ImportError:
    sys.exit()
x = np.random.default_rng(1).standard_normal(int(sys.argv[1]))
print("numpy transforms", least(lambda: (np.fft.rfft(x), np.fft.rfft(x)), 5), 0)

try:
    import scipy.fft
    from scipy.optimize import least_squares
except ImportError:
    sys.exit()
print("scipy transforms", least(lambda: (scipy.fft.rfft(x), scipy.fft.rfft(x)), 5), 0)

hz, re, im = np.loadtxt(sys.stdin, unpack=True)
z, s = re + 1j * im, 2j * np.pi * hz


def left(p):
    r, k, n, f0, q, res = p
    e = (r + k * s**n + res / (1 + 1j * q * (hz / f0 - f0 / hz)) - z) / abs(z)
    return np.concatenate([e.real, e.imag])


start = np.array([float(v) for v in sys.argv[3:]])
fit = lambda: least_squares(left, start, x_scale=start)
print("scipy fit", least(fit, 5), fit().x[0])
