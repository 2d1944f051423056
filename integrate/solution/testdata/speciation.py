# Speciation by another way than the Go code's: nested bisection over the free concentrations, ideal, 25 °C.
# Prints the rows of speciation.csv: what is in it, and pH and free metal that come out.
import numpy as np

lg = {"OH": -13.9953, "HSO4": 1.9876, "NH4": 9.244, "BOH4": -9.236, "HAc": 4.757}
M = {
    "Zn": dict(oh=[-8.997, -17.794, -28.091, -40.488], so4=[2.34, 3.28], nh3=[2.053, 4.259, 6.465, 8.374]),
    "Ni": dict(oh=[-9.897, -18.994, -29.991], so4=[2.30, 0.82], nh3=[2.61, 4.76, 6.79, 8.34, None, 8.734]),
    "Cu": dict(oh=[-7.497, -16.194, -26.879, -39.98], so4=[2.36], nh3=[4.01, 7.451, 10.272, 13.23]),
}

def bisect(f, lo, hi, n=200):
    for _ in range(n):
        mid = 0.5 * (lo + hi)
        if f(mid) > 0:
            hi = mid
        else:
            lo = mid
    return 0.5 * (lo + hi)

def forms(metal, h, so4, nh3):
    """metal, acid, sulfate and ammonia bound per free metal ion"""
    t = M[metal]
    tot, acid, sul, amm = 1.0, 0.0, 0.0, 0.0
    for n, k in enumerate(t["oh"], 1):
        c = 10.0**k / h**n; tot += c; acid -= n * c
    for n, k in enumerate(t["so4"], 1):
        c = 10.0**k * so4**n; tot += c; sul += n * c
    for n, k in enumerate(t["nh3"], 1):
        if k is None: continue
        c = 10.0**k * nh3**n; tot += c; amm += n * c
    return tot, acid, sul, amm

def solve(metal, T):
    def at(logh):
        h = 10.0**logh
        nh4 = 10.0**lg["NH4"] * h
        hso4 = 10.0**lg["HSO4"] * h
        nh4so4 = 10.0**(9.244 + 1.03) * h
        def with_nh3(lognh3):
            nh3 = 10.0**lognh3 if T["N"] else 0.0
            def with_so4(logso4):
                so4 = 10.0**logso4
                tot, _, sul, _ = forms(metal, h, so4, nh3)
                free = T["M"] / tot
                return so4 * (1 + hso4 + nh4so4 * nh3) + free * sul - T["S"]
            so4 = 10.0**bisect(with_so4, -14, 2)
            tot, acid, sul, amm = forms(metal, h, so4, nh3)
            free = T["M"] / tot
            return nh3, so4, free, acid, amm
        def resid(lognh3):
            nh3, so4, free, acid, amm = with_nh3(lognh3)
            return nh3 * (1 + nh4 + nh4so4 * so4) + free * amm - T["N"]
        ln = bisect(resid, -14, 2, 120) if T["N"] else -99
        nh3, so4, free, acid, amm = with_nh3(ln)
        total = h - 10.0**lg["OH"] / h + so4 * hso4 + nh3 * (nh4 + nh4so4 * so4) + free * acid
        total -= T["B"] * 10.0**lg["BOH4"] / h / (1 + 10.0**lg["BOH4"] / h)
        total += T["A"] * 10.0**lg["HAc"] * h / (1 + 10.0**lg["HAc"] * h)
        return total - T["H"], free
    lh = bisect(lambda x: at(x)[0], -14.5, 1, 120)
    return -lh, at(lh)[1]

rows = [
    ("Zn", dict(M=0.8, S=1.1, N=0.0, B=0.0, A=0.0, H=0.6)),
    ("Zn", dict(M=0.5, S=0.5, N=3.0, B=0.0, A=0.0, H=1.0)),
    ("Ni", dict(M=1.0, S=1.0, N=0.0, B=0.5, A=0.0, H=0.05)),
    ("Ni", dict(M=0.3, S=1.3, N=2.0, B=0.0, A=0.0, H=1.0)),
    ("Zn", dict(M=0.2, S=0.2, N=0.0, B=0.0, A=0.4, H=0.15)),
]
print("metal,M,S,N,B,A,H,pH,log10_free")
for metal, T in rows:
    ph, free = solve(metal, T)
    print(f"{metal},{T['M']},{T['S']},{T['N']},{T['B']},{T['A']},{T['H']},{ph:.6f},{np.log10(free):.6f}")
