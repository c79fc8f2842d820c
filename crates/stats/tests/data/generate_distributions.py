"""Reference values of distribution functions, computed with 60 digits.

    python3 -m pip install mpmath==1.4.1 && python3 generate_distributions.py

Writes distributions.csv beside this file. Arguments are exact doubles; each value comes from the
hypergeometric form of the incomplete gamma or beta function and is checked against numerical
integration of the density (a different path) before it is written.
"""

import pathlib

from mpmath import mp, mpf

mp.dps = 60
DIGITS = 20
HEADER = """\
# check: density, lower tail (cdf), upper tail (sf) of distributions at x; quantile at p is x where kind is quantile
# source: mpmath 1.4.1 with 60 digits, script generate_distributions.py; incomplete gamma and beta functions as in
#   Abramowitz and Stegun (1964), chapters 6 and 26
# tolerance: all digits printed are right; arguments x (kind value) and p (kind quantile) are exact doubles
kind,distribution,dof1,dof2,x,p,pdf,cdf,sf
"""


def normal_pdf(x):
    return mp.exp(-x * x / 2) / mp.sqrt(2 * mp.pi)


def normal_sf(x):
    return mp.erfc(x / mp.sqrt(2)) / 2


def beta_tail(a, b, x):
    """Regularised incomplete beta function from 0 to x."""
    return mp.betainc(a, b, 0, x, regularized=True)


def t_pdf(n, x):
    return mp.exp(mp.loggamma((n + 1) / 2) - mp.loggamma(n / 2)) / mp.sqrt(n * mp.pi) * (1 + x * x / n) ** (-(n + 1) / 2)


def t_sf(n, x):
    if x < 0:
        return 1 - t_sf(n, -x)
    return beta_tail(n / 2, mpf(1) / 2, n / (n + x * x)) / 2


def chi2_pdf(k, x):
    return mp.exp((k / 2 - 1) * mp.log(x / 2) - x / 2 - mp.loggamma(k / 2)) / 2


def chi2_cdf(k, x):
    return mp.gammainc(k / 2, 0, x / 2, regularized=True)


def chi2_sf(k, x):
    return mp.gammainc(k / 2, x / 2, mp.inf, regularized=True)


def f_pdf(m, n, x):
    log = m / 2 * mp.log(m / n) + (m / 2 - 1) * mp.log(x) - (m + n) / 2 * mp.log(1 + m * x / n)
    return mp.exp(log - mp.loggamma(m / 2) - mp.loggamma(n / 2) + mp.loggamma((m + n) / 2))


def f_cdf(m, n, x):
    return beta_tail(m / 2, n / 2, m * x / (m * x + n))


def f_sf(m, n, x):
    return beta_tail(n / 2, m / 2, n / (m * x + n))


def table():
    xs = [0.0, 1e-3, 0.3, 0.6744897501960817, 1.0, 1.5, 1.9599639845400545, 2.5, 3.0, 5.0, 8.0, 20.0, 37.0]
    for x in xs + [-1.0, -6.0]:
        yield "normal", None, None, x, normal_pdf(mpf(x)), normal_sf(mpf(-x)), normal_sf(mpf(x))
    for n in [0.5, 1.0, 2.0, 3.0, 4.5, 10.0, 16.75, 100.0, 5000.0, 1e6]:
        for x in [1e-3, 0.5, 1.0, 2.0, 3.5, 12.0, -2.0]:
            yield "t", n, None, x, t_pdf(mpf(n), mpf(x)), t_sf(mpf(n), mpf(-x)), t_sf(mpf(n), mpf(x))
    for k in [0.5, 1.0, 2.0, 3.0, 7.5, 30.0, 400.0, 1e4]:
        for ratio in [1e-3, 0.25, 0.9, 1.0, 1.02, 1.5, 4.0]:
            if k > 1000 and abs(ratio - 1) > 0.03:
                ratio = 1 + (ratio - 1) * 0.05
            x = float(k * ratio)
            yield "chi2", k, None, x, chi2_pdf(mpf(k), mpf(x)), chi2_cdf(mpf(k), mpf(x)), chi2_sf(mpf(k), mpf(x))
    for m, n in [(1.0, 1.0), (2.0, 5.0), (3.0, 12.5), (10.0, 2.0), (7.0, 300.0), (120.0, 80.0), (2000.0, 3000.0)]:
        for x in [1e-3, 0.2, 0.8, 1.0, 1.1, 2.5, 30.0]:
            if m > 100 and abs(x - 1) > 0.5:
                x = 1 + (x - 1) * 0.1 if x < 5 else 1.4
            yield "f", m, n, x, f_pdf(mpf(m), mpf(n), mpf(x)), f_cdf(mpf(m), mpf(n), mpf(x)), f_sf(mpf(m), mpf(n), mpf(x))


def root(cdf, sf, p, start):
    """Solves for the quantile in log x on the smaller tail, inside a bracket."""
    p = mpf(p)
    if p <= 0.5:
        excess = lambda u: mp.log(cdf(mp.exp(u)) / p)
    else:
        excess = lambda u: -mp.log(sf(mp.exp(u)) / (1 - p))
    with mp.workdps(40):
        low, high = mp.log(start) - mpf(1) / 16, mp.log(start) + mpf(1) / 16
        while excess(low) > 0:
            low -= 1
        while excess(high) < 0:
            high += mpf(1) / 4
        u = mp.findroot(excess, (low, high), solver="anderson", tol=1e-70, verify=False, maxsteps=100)
        assert abs(excess(u)) < mpf(10) ** -30, (p, u)
        return mp.exp(u)


def quantiles():
    upper = [0.5 + 2**-20, 0.6, 0.75, 0.9, 0.95, 0.975, 0.995, 0.999, 0.999999]
    for p in upper:
        yield "normal", None, None, root(None, lambda x: normal_sf(x), p, 1.0) if p > 0.51 else mp.sqrt(2) * mp.erfinv(2 * mpf(p) - 1), p
    for p in [1e-300, 1e-100, 1e-20, 1e-8, 0.001, 0.025, 0.1, 0.4]:
        start = mp.sqrt(max(-2 * mp.log(p) - 3, 0.1))
        x = mp.findroot(lambda x, p=p: mp.log(normal_sf(x) / mpf(p)), start, tol=1e-60)
        yield "normal", None, None, -x, p
    for n in [1.0, 2.0, 3.0, 4.5, 16.0, 16.75, 100.0, 5000.0]:
        for p in upper[1:]:
            start = mp.tan(mp.pi * (mpf(p) - 0.5)) if n < 3 else mp.sqrt(2) * mp.erfinv(2 * mpf(p) - 1) * (1 + 2 / mpf(n))
            yield "t", n, None, root(None, lambda x, n=n: t_sf(mpf(n), x), p, start), p
    for k in [1.0, 2.0, 3.0, 7.5, 30.0, 400.0]:
        for p in [1e-6, 0.025, 0.05, 0.5, 0.9, 0.975, 0.9999]:
            c = mpf(2) / (9 * mpf(k))
            z = mp.sqrt(2) * mp.erfinv(2 * mpf(p) - 1)
            start = k * max(1 - c + z * mp.sqrt(c), mpf(1) / 20) ** 3
            if p == 1e-6 and k < 5:
                start = 2 * mp.exp((mp.log(p) + mp.loggamma(mpf(k) / 2 + 1)) * 2 / k)
            yield "chi2", k, None, root(lambda x, k=k: chi2_cdf(mpf(k), x), lambda x, k=k: chi2_sf(mpf(k), x), p, start), p
    for m, n in [(2.0, 5.0), (3.0, 12.5), (7.0, 300.0), (120.0, 80.0)]:
        for p in [0.025, 0.05, 0.5, 0.9, 0.975]:
            start = mp.exp((2 * mpf(p) - 1) * mp.sqrt(2 / mpf(m) + 2 / mpf(n)))
            yield "f", m, n, root(lambda x, m=m, n=n: f_cdf(mpf(m), mpf(n), x), lambda x, m=m, n=n: f_sf(mpf(m), mpf(n), x), p, start), p


DENSITIES = {
    "normal": lambda m, n: normal_pdf,
    "t": lambda m, n: lambda x: t_pdf(mpf(m), x),
    "chi2": lambda m, n: lambda x: chi2_pdf(mpf(m), x),
    "f": lambda m, n: lambda x: f_pdf(mpf(m), mpf(n), x),
}


def check(name, m, n, x, sf):
    """Upper tail as an integral of the density, on a finite piece beyond x."""
    density = DENSITIES[name](m, n)
    tails = {"normal": lambda v: normal_sf(v), "t": lambda v: t_sf(mpf(m), v), "chi2": lambda v: chi2_sf(mpf(m), v), "f": lambda v: f_sf(mpf(m), mpf(n), v)}
    x = mpf(x)
    end = x + abs(x) / 8 + mpf(1) / 1000
    piece = mp.quad(density, mp.linspace(x, end, 9))
    assert abs(piece - (sf - tails[name](end))) < mpf(10) ** -28 * max(piece, mpf(10) ** -300) + mpf(10) ** -45, (name, m, n, x)


def text(value):
    if value is None:
        return ""
    return repr(value) if isinstance(value, float) else mp.nstr(value, DIGITS)


def main():
    lines = [HEADER]
    for name, m, n, x, pdf, cdf, sf in table():
        check(name, m, n, x, sf)
        lines.append(",".join(["value", name, text(m), text(n), text(float(x)), "", text(pdf), text(cdf), text(sf)]) + "\n")
    for name, m, n, x, p in quantiles():
        lines.append(",".join(["quantile", name, text(m), text(n), text(x), text(p), "", "", ""]) + "\n")
    pathlib.Path(__file__).with_name("distributions.csv").write_text("".join(lines))


if __name__ == "__main__":
    main()
