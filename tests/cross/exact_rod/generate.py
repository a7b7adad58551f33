"""Reference solutions for an elastic rod pushed through a curved, compliant vessel (outside check).

Model.  One inextensible, unshearable, isotropic, naturally straight elastic rod x(sigma) lies in a tube
whose centreline is made of straight pieces and circular arcs.  The rod is a static wire plus a device that
slides over it: behind the device's tip the bending stiffness is B_w + B_dev(b) and the outer radius r(b)
(b: rod arc length behind the tip), ahead of the tip they are B_w and r_w.  The wall is an elastic foundation
that stores 1/2 k_w pen^2 per unit length of the PATH, with pen = max(|w| - max(R - r, 0), 0).  Coulomb
friction mu k_w pen (per path length) and a load L at the tip both act backwards along the ROD's tangent.

Discretisation.  The rod is a chain of N links of equal length h; the unknowns are the node positions in
space, the link tensions (Lagrange multipliers of the inextensibility) and h itself.  The device's tip is node
n, so the device's length past the guide is n h, and h is found from "the tip's path coordinate is d".
Newton's method with exact tangents, pseudo-arclength continuation in L, implicit gradient flow for the first
state and for snaps, and the eigenvalues of the constrained tangent for stability.

Units: mm, N, MPa (= N/mm^2), rad; stiffness N mm^2.

Run ``python generate.py --selfcheck`` for the checks against closed forms, ``python generate.py`` to write
``reference.json``, ``python generate.py --only ID ...`` to redo single cases.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from dataclasses import dataclass, field, replace
from pathlib import Path as FilePath

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csc_matrix
from scipy.sparse.linalg import LinearOperator, eigs, splu

Array = NDArray[np.float64]

PEN_LIMIT_MM = 4.0
LOAD_LIMIT_N = 2.5
BLEND_MM = 0.5  # half width over which the jump of path curvature is blended in the tangential wall force
FEED_DRAG = 200.0
"""N per (mm per unit of flow time): how fast the feed follows the load in the flow.

About the rod's own drag (1 N per mm and unit time over 50 to 130 mm), so that the tip carries its load while the rod moves.  From 100
to 500 every flow of every case ends the same way.  At 5000 the tip is held by up to 0.5 N in place of the load and two flows with
friction whirl on without end; at 50 and less the feed outruns the rod and states without any limit are lost.
"""
HERE = FilePath(__file__).resolve().parent


# --------------------------------------------------------------------------------------------- the path
@dataclass
class Segment:
    """One straight piece (kappa = 0) or arc; start place s0, length (mm), start frame, curvature (1/mm)."""

    s0: float
    length: float
    p0: Array
    t0: Array
    n0: Array
    kappa: float


class VesselPath:
    """Centreline from straight pieces and arcs, with nearest-point projection of many points at once."""

    def __init__(self, pieces: list[dict[str, float | str]]) -> None:
        """Build from the JSON pieces: start at the origin along +x, Bishop normals n1 = +y, n2 = +z."""
        p, t = np.zeros(3), np.array([1.0, 0.0, 0.0])
        n1, n2 = np.array([0.0, 1.0, 0.0]), np.array([0.0, 0.0, 1.0])
        s = 0.0
        self.segments: list[Segment] = []
        for piece in pieces:
            if piece["kind"] == "line":
                length = float(piece["length_mm"])
                self.segments.append(Segment(s, length, p, t, n1, 0.0))
                p = p + length * t
            else:
                radius, angle, plane = (float(piece[k]) for k in ("radius_mm", "angle_rad", "plane_rad"))
                length = radius * angle
                n = np.cos(plane) * n1 + np.sin(plane) * n2
                self.segments.append(Segment(s, length, p, t, n, 1.0 / radius))
                p = p + radius * (np.sin(angle) * t + (1.0 - np.cos(angle)) * n)
                c, sn = np.cos(angle), np.sin(angle)

                def turn(v: Array, t: Array = t, n: Array = n, c: float = c, sn: float = sn) -> Array:
                    vt, vn = v @ t, v @ n
                    return v + (c * vt - sn * vn - vt) * t + (sn * vt + c * vn - vn) * n

                t, n1, n2 = turn(t), turn(n1), turn(n2)
            s += length
        self.length = s

    def point(self, places: Array) -> Array:
        """Centreline points (mm) at path coordinates (mm); straight beyond both ends."""
        out = np.zeros((len(places), 3))
        for k, g in enumerate(self.segments):
            lo = -np.inf if k == 0 else g.s0
            hi = np.inf if k == len(self.segments) - 1 else g.s0 + g.length
            m = (places >= lo) & (places < hi)
            q = places[m] - g.s0
            if g.kappa == 0.0:
                out[m] = g.p0 + q[:, None] * g.t0
            else:
                a = (q * g.kappa)[:, None]
                out[m] = g.p0 + (np.sin(a) * g.t0 + (1.0 - np.cos(a)) * g.n0) / g.kappa
        return out

    def project(
        self, x: Array, guess: Array, window: float = 8.0
    ) -> tuple[Array, Array, Array, Array, Array]:
        """Nearest centreline points.

        Returns path coordinate s (mm), offset w (mm), tangent, curvature vector (1/mm, blended over
        +-BLEND_MM at junctions) and its derivative along s (1/mm^2, only the blend's share matters).
        """
        count = len(x)
        best = np.full(count, np.inf)
        s_out, w_out, t_out, k_out = (
            np.zeros(count),
            np.zeros((count, 3)),
            np.zeros((count, 3)),
            np.zeros((count, 3)),
        )
        seg_out = np.zeros(count, dtype=int)
        last = len(self.segments) - 1
        for k, g in enumerate(self.segments):
            lo = -np.inf if k == 0 else 0.0
            hi = np.inf if k == last else g.length
            m = np.nonzero((guess - g.s0 > lo - window) & (guess - g.s0 < hi + window))[0]
            if not len(m):
                continue
            if g.kappa == 0.0:
                q = np.clip((x[m] - g.p0) @ g.t0, lo, hi)
                p = g.p0 + q[:, None] * g.t0
                t = np.broadcast_to(g.t0, (len(m), 3))
                curv = np.zeros((len(m), 3))
            else:
                e = x[m] - (g.p0 + g.n0 / g.kappa)
                a = np.arctan2(e @ g.t0, -(e @ g.n0))
                want = (guess[m] - g.s0) * g.kappa
                a = a + 2.0 * np.pi * np.round((want - a) / (2.0 * np.pi))
                a = np.clip(a, lo * g.kappa, hi * g.kappa)
                q = a / g.kappa
                c, sn = np.cos(a)[:, None], np.sin(a)[:, None]
                p = g.p0 + (sn * g.t0 + (1.0 - c) * g.n0) / g.kappa
                t = c * g.t0 + sn * g.n0
                curv = g.kappa * (c * g.n0 - sn * g.t0)
            w = x[m] - p
            dist = np.einsum("ij,ij->i", w, w)
            use = dist < best[m]
            idx = m[use]
            best[idx] = dist[use]
            s_out[idx], w_out[idx], t_out[idx] = q[use] + g.s0, w[use], t[use]
            k_out[idx], seg_out[idx] = curv[use], k
        dk_out = np.zeros((count, 3))
        for k in range(last):
            a, b = self.segments[k], self.segments[k + 1]
            joint = b.s0
            k_before = self._end_curvature(a)
            k_after = b.kappa * b.n0
            for own, other, sign in ((k, k_after, -1.0), (k + 1, k_before, 1.0)):
                m = (seg_out == own) & (np.abs(s_out - joint) < BLEND_MM)
                if not m.any():
                    continue
                share = 0.5 * (1.0 - np.abs(s_out[m] - joint) / BLEND_MM)[:, None]
                dk_out[m] = -sign / (2.0 * BLEND_MM) * (other - k_out[m])
                k_out[m] = (1.0 - share) * k_out[m] + share * other
        return s_out, w_out, t_out, k_out, dk_out

    @staticmethod
    def _end_curvature(g: Segment) -> Array:
        """Curvature vector (1/mm) at a segment's far end."""
        a = g.kappa * g.length
        return g.kappa * (np.cos(a) * g.n0 - np.sin(a) * g.t0)


# ---------------------------------------------------------------------------------------------- the case
@dataclass
class Case:
    """All inputs of one case; lengths mm, stiffness N mm^2, wall MPa, loads N."""

    id: str
    path: list[dict[str, float | str]]
    lumen: float
    wall: float
    friction: float
    wire_b: float
    wire_r: float
    behind: list[float]
    dev_b: list[float]
    dev_r: list[float]
    tip: float
    loads: list[float] = field(default_factory=lambda: [0.0, 0.25, 0.5, 1.0, 1.5, 2.0])
    beyond: float = 40.0
    planar: bool = False

    def b_dev(self, b: Array) -> Array:
        """Return the device's own stiffness at distance b behind its tip (0 ahead of it)."""
        return np.where(b < 0.0, 0.0, np.interp(b, self.behind, self.dev_b))

    def radius(self, b: Array) -> Array:
        """Outer radius at distance b behind the tip (the wire's ahead of it)."""
        return np.where(b < 0.0, self.wire_r, np.interp(b, self.behind, self.dev_r))


@dataclass
class State:
    """Chain state: nodes x (N+1, 3), link tensions lam (N), link length h, tip load, node path places s.

    hold is the force (N) beyond the load that keeps the tip at its place; zero in equilibrium.
    """

    x: Array
    lam: Array
    h: float
    load: float
    s: Array
    hold: float = 0.0


class NotConvergedError(RuntimeError):
    """Newton's method failed."""


class Chain:
    """The discrete rod of one case and its Newton solver."""

    def __init__(self, case: Case, link: float) -> None:
        """Set up the nodes for a nominal link length (mm)."""
        self.case, self.path = case, VesselPath(case.path)
        self.n = round(case.tip / link)
        self.count = self.n + int(np.ceil(case.beyond / (case.tip / self.n)))
        self.link = case.tip / self.n
        n_nodes = self.count
        self.nx, self.nl = 3 * n_nodes, n_nodes
        self.size = self.nx + self.nl + 2
        self.sliding = np.zeros(n_nodes + 1)
        self.sliding[: self.n] = 1.0
        self.sliding[self.n] = 0.5
        self.in_plane = False
        self.left = False  # whether the last gradient flow left the vessel
        self._pattern()

    # ------------------------------------------------------------------ pieces
    def _pattern(self) -> None:
        """Index arrays of the sparse tangent."""
        n = self.count
        rows, cols, self.take = [], [], []
        comp = np.arange(3)
        for off in range(-2, 3):
            i = np.arange(1, n + 1)
            j = i + off
            ok = (j >= 1) & (j <= n)
            i, j = i[ok], j[ok]
            self.take.append(i)
            rows.append(np.broadcast_to(3 * (i - 1)[:, None, None] + comp[:, None], (len(i), 3, 3)).ravel())
            cols.append(np.broadcast_to(3 * (j - 1)[:, None, None] + comp[None, :], (len(i), 3, 3)).ravel())
        link = np.arange(n)
        node_r = (3 * link[:, None] + comp).ravel()  # far node of link j is node j + 1
        lam_r = np.repeat(self.nx + link, 3)
        node_l = (3 * (link[1:] - 1)[:, None] + comp).ravel()
        lam_l = np.repeat(self.nx + link[1:], 3)
        rows += [node_r, node_l, lam_r, lam_l]
        cols += [lam_r, lam_l, node_r, node_l]
        h_col, hold_col = self.size - 2, self.size - 1  # the rows there: tip's place, hold = 0
        tip = 3 * (self.n - 1) + comp
        rows += [np.arange(self.nx + self.nl), np.full(3, h_col), tip, [hold_col, hold_col]]
        cols += [np.full(self.nx + self.nl, h_col), tip, np.full(3, hold_col), [h_col, hold_col]]
        self.rows, self.cols = np.concatenate(rows), np.concatenate(cols)

    def geometry(self, x: Array, guess: Array) -> dict[str, Array]:
        """Everything the wall needs that does not depend on h."""
        s, w, t, curv, dcurv = self.path.project(x, guess)
        rho = np.sqrt(np.einsum("ij,ij->i", w, w))
        u = w / np.maximum(rho, 1e-12)[:, None]
        m = 1.0 - np.einsum("ij,ij->i", curv, w)
        a = np.empty(len(s))
        a[1:-1] = 0.5 * (s[2:] - s[:-2])
        a[0], a[-1] = 0.5 * (s[1] - s[0]), 0.5 * (s[-1] - s[-2])
        chord = np.zeros_like(x)
        chord[1:-1] = x[2:] - x[:-2]
        chord[0], chord[-1] = x[1] - x[0], x[-1] - x[-2]
        long = np.sqrt(np.einsum("ij,ij->i", chord, chord))
        return {
            "s": s,
            "w": w,
            "t": t,
            "curv": curv,
            "dcurv": dcurv,
            "rho": rho,
            "u": u,
            "m": m,
            "a": a,
            "long": long,
            "tau": chord / long[:, None],
            "ds": t / m[:, None],
        }

    def profile(self, h: float) -> tuple[Array, Array]:
        """Total stiffness (N mm^2) and outer radius (mm) at the nodes."""
        b = (self.n - np.arange(self.count + 1)) * h
        return self.case.wire_b + self.case.b_dev(b), self.case.radius(b)

    def contact(self, geo: dict[str, Array], radius: Array) -> tuple[Array, Array]:
        """Penetration (mm) and stored wall energy per path length (N) at the nodes."""
        pen = np.maximum(geo["rho"] - np.maximum(self.case.lumen - radius, 0.0), 0.0)
        return pen, 0.5 * self.case.wall * pen**2

    @staticmethod
    def _slope_weight(phi: Array) -> Array:
        """dE_wall/ds_i with E_wall = sum over links of (phi_j + phi_j+1)/2 (s_j+1 - s_j)."""
        c = np.empty_like(phi)
        c[1:-1] = 0.5 * (phi[:-2] - phi[2:])
        c[0], c[-1] = -0.5 * (phi[0] + phi[1]), 0.5 * (phi[-2] + phi[-1])
        return c

    def residual(self, geo: dict[str, Array], st: State) -> Array:
        """Out-of-balance node forces (N), link length and tip place errors (mm), the hold (N)."""
        case, x, lam, h = self.case, st.x, st.lam, st.h
        stiff, radius = self.profile(h)
        pen, phi = self.contact(geo, radius)
        f = (case.wall * pen * geo["a"])[:, None] * geo["u"] + self._slope_weight(phi)[:, None] * geo["ds"]
        f += (case.friction * self.sliding * case.wall * pen * geo["a"])[:, None] * geo["tau"]
        f[self.n] += st.load * geo["tau"][self.n] + st.hold * geo["ds"][self.n]
        bend = stiff[1:-1, None] * (x[2:] - 2.0 * x[1:-1] + x[:-2]) / h**3
        f[2:] += bend
        f[1:-1] -= 2.0 * bend
        f[:-2] += bend
        link = x[1:] - x[:-1]
        f[1] += 2.0 * stiff[0] * (link[0] - h * np.array([1.0, 0.0, 0.0])) / h**3
        pull = lam[:, None] * link / h
        f[1:] += pull
        f[:-1] -= pull
        con = (np.einsum("ij,ij->i", link, link) - h * h) / (2.0 * h)
        return np.concatenate([f[1:].ravel(), con, [geo["s"][self.n] - case.tip, st.hold]])

    def tangent(self, geo: dict[str, Array], st: State, mass: float = 0.0, feed: float = 0.0) -> csc_matrix:
        """Exact derivative of the residual in (x, lam, h, hold).

        mass (N/mm) is added to every node's diagonal, feed (N/mm) is the hold row's entry in h.
        """
        case, n, x, lam, h = self.case, self.count, st.x, st.lam, st.h
        stiff, radius = self.profile(h)
        pen, phi = self.contact(geo, radius)
        hit = (pen > 0.0).astype(float)
        u, t, m, a, ds, tau = geo["u"], geo["t"], geo["m"], geo["a"], geo["ds"], geo["tau"]
        eye = np.eye(3)
        blk = np.zeros((5, n + 1, 3, 3))

        def outer(p: Array, q: Array) -> Array:
            return p[:, :, None] * q[:, None, :]

        v = np.cross(t, u)
        ku = np.einsum("ij,ij->i", geo["curv"], u)
        pen_over = pen / np.maximum(geo["rho"], 1e-12)
        closed = (case.lumen - radius) <= 0.0
        pen_over[closed] = 1.0
        hit[closed] = 1.0
        uu = outer(u, u)
        vv = outer(v, v)
        flat = closed & (geo["rho"] < 1e-12)
        uu[flat], vv[flat] = eye - outer(t, t)[flat], 0.0
        hess_phi = case.wall * (
            hit[:, None, None] * uu
            + pen_over[:, None, None] * vv
            - (pen * ku / m)[:, None, None] * outer(t, t)
        )
        grad_phi = (case.wall * pen)[:, None] * u
        grad_m = -geo["curv"] - np.einsum("ij,ij->i", geo["dcurv"], geo["w"])[:, None] * ds
        hess_s = (outer(geo["curv"], t) - outer(t, grad_m)) / (m**2)[:, None, None]
        weight = self._slope_weight(phi)
        blk[2] += a[:, None, None] * hess_phi + weight[:, None, None] * hess_s
        half = 0.5 * (outer(grad_phi[:-1], ds[1:]) - outer(ds[:-1], grad_phi[1:]))
        blk[3, :-1] += half
        half = 0.5 * (outer(ds[1:], grad_phi[:-1]) - outer(grad_phi[1:], ds[:-1]))
        blk[1, 1:] += half
        blk[2, -1] += 0.5 * (np.outer(grad_phi[-1], ds[-1]) + np.outer(ds[-1], grad_phi[-1]))
        # friction and tip load
        mu_k = case.friction * self.sliding * case.wall
        turn = (eye - outer(tau, tau)) / geo["long"][:, None, None]
        drag = mu_k * pen * a
        drag[self.n] += st.load
        blk[2, self.n] += st.hold * hess_s[self.n]
        blk[2] += (mu_k * a * hit)[:, None, None] * outer(tau, u)
        blk[3, :-1] += drag[:-1, None, None] * turn[:-1] + outer(
            (0.5 * mu_k * pen)[:-1, None] * tau[:-1], ds[1:]
        )
        blk[1, 1:] -= drag[1:, None, None] * turn[1:] + outer((0.5 * mu_k * pen)[1:, None] * tau[1:], ds[:-1])
        # bending and tension
        e = np.zeros((5, n + 1))
        b = stiff[1:-1] / h**3
        i = np.arange(1, n)
        for p, cp in ((-1, 1.0), (0, -2.0), (1, 1.0)):
            for q, cq in ((-1, 1.0), (0, -2.0), (1, 1.0)):
                e[2 + q - p, i + p] += cp * cq * b
        e[2, 1] += 2.0 * stiff[0] / h**3
        ten = lam / h
        e[2, 1:] += ten
        e[2, :-1] += ten
        e[3, :-1] -= ten
        e[1, 1:] -= ten
        e[2] += mass
        blk += e[:, :, None, None] * eye
        vals = [blk[k, self.take[k]].ravel() for k in range(5)]
        link = (x[1:] - x[:-1]) / h
        vals += [link.ravel(), -link[1:].ravel(), link.ravel(), -link[1:].ravel()]
        eps = 1e-6
        col = self.residual(geo, replace(st, h=h + eps)) - self.residual(geo, replace(st, h=h - eps))
        vals += [col[:-2] / (2.0 * eps), ds[self.n], ds[self.n], [feed, 1.0]]
        return csc_matrix((np.concatenate(vals), (self.rows, self.cols)), shape=(self.size, self.size))

    def load_column(self, geo: dict[str, Array]) -> Array:
        """Differentiate the residual in the tip load."""
        col = np.zeros(self.size)
        col[3 * (self.n - 1) : 3 * self.n] = geo["tau"][self.n]
        return col

    # ------------------------------------------------------------------ solving
    def centred(self, load: float = 0.0) -> State:
        """Lay the chain on the centreline."""
        s = np.arange(self.count + 1) * self.link
        return State(self.path.point(s), np.zeros(self.count), self.link, load, s)

    def _apply(self, st: State, step: Array, load: float) -> State:
        x = st.x.copy()
        x[1:] += step[: self.nx].reshape(-1, 3)
        return State(x, st.lam + step[self.nx : -2], st.h + step[-2], load, st.s, st.hold + step[-1])

    def newton(
        self,
        st: State,
        load: float,
        mass: float = 0.0,
        anchor: State | None = None,
        arc: tuple[State, Array, float, float] | None = None,
        iters: int = 12,
        cap: float = 1.5,
        tol: float = 1e-8,
    ) -> State:
        """Solve at a given load, or (arc) on the hyperplane of a pseudo-arclength step.

        mass, anchor: adds mass (x - anchor.x) to the node forces and lets the feed follow the tip's excess
        load as FEED_DRAG times its rate (implicit gradient flow with the tip held at its place).
        arc = (base state, tangent in (x, load), step, weight of x).
        """
        cur = replace(st, load=load)
        feed = FEED_DRAG * self.n * mass / self.link
        for _ in range(iters):
            geo = self.geometry(cur.x, cur.s)
            cur.s = geo["s"]
            res = self.residual(geo, cur)
            if anchor is not None:
                res[: self.nx] += mass * (cur.x - anchor.x)[1:].ravel()
                res[-1] += feed * (cur.h - anchor.h)
            arc_res = 0.0
            if arc is not None:
                base, tan, ds, wx = arc
                arc_res = (
                    wx * ((cur.x - base.x)[1:].ravel() @ tan[:-1]) + (cur.load - base.load) * tan[-1] - ds
                )
            if (
                np.abs(res[: self.nx]).max() < tol
                and np.abs(res[self.nx :]).max() < tol
                and abs(arc_res) < tol
            ):
                return cur
            lu = splu(self.tangent(geo, cur, mass, feed))
            step = -lu.solve(res)
            d_load = 0.0
            if arc is not None:
                other = -lu.solve(self.load_column(geo))
                d_load = -(arc_res + wx * (step[: self.nx] @ tan[:-1]))
                d_load /= tan[-1] + wx * (other[: self.nx] @ tan[:-1])
                step = step + d_load * other
            big = np.abs(step[: self.nx]).max()
            if not np.isfinite(big) or big > 50.0:
                raise NotConvergedError
            scale = min(1.0, cap / big) if big > 0 else 1.0
            cur = self._apply(cur, scale * step, cur.load + scale * d_load)
            if self.in_plane:
                cur.x[:, 2] = 0.0
        raise NotConvergedError

    def flow(self, st: State, load: float, dt: float = 0.02, steps: int = 400) -> State | None:
        """Implicit gradient flow (unit drag per rod length) to a stable state; None when the rod leaves."""
        cur, good = replace(st, load=load), 0
        self.left = False
        for _ in range(steps):
            try:
                new = self.newton(cur, load, mass=self.link / dt, anchor=cur, cap=0.5, iters=10)
            except (NotConvergedError, RuntimeError):
                dt *= 0.25
                if dt < 1e-7:
                    return None
                continue
            move = np.abs(new.x - cur.x).max()
            if move > 0.6:
                dt *= 0.4
                continue
            cur = new
            if self.worst_pen(cur) > PEN_LIMIT_MM:
                self.left = True
                return None
            if move < 1e-4 and dt > 1.0:
                good += 1
                if good >= 3:
                    try:
                        final = self.newton(cur, load)
                    except (NotConvergedError, RuntimeError):
                        good = 0
                    else:
                        low, shape = self.modes(final)
                        if np.abs(final.x - cur.x).max() < 0.1 and low[0] > 0.0:
                            return final
                        good, dt = 0, 1.0
                        cur = self.nudged(cur, shape[:, 0], 0.05)
            dt = min(dt * (2.0 if move < 0.2 else 1.0), 1e6)
        return None

    def nudged(self, st: State, shape: Array, size: float) -> State:
        """Move the state along a mode shape by at most size (mm)."""
        move = shape[: self.nx] * size / np.abs(shape[: self.nx]).max()
        x = st.x.copy()
        x[1:] += move.reshape(-1, 3)
        return replace(st, x=x)

    # ------------------------------------------------------------------ results
    def worst_pen(self, st: State) -> float:
        """Largest wall penetration (mm)."""
        geo = self.geometry(st.x, st.s)
        return float(self.contact(geo, self.profile(st.h)[1])[0].max())

    def energy(self, st: State) -> float:
        """Return the stored energy, bending plus wall (N mm)."""
        geo = self.geometry(st.x, st.s)
        stiff, radius = self.profile(st.h)
        _, phi = self.contact(geo, radius)
        bend = st.x[2:] - 2.0 * st.x[1:-1] + st.x[:-2]
        first = st.x[1] - st.x[0] - st.h * np.array([1.0, 0.0, 0.0])
        e = (
            0.5 * stiff[1:-1] @ np.einsum("ij,ij->i", bend, bend) / st.h**3
            + stiff[0] * (first @ first) / st.h**3
        )
        return float(e + 0.5 * (phi[1:] + phi[:-1]) @ np.diff(geo["s"]))

    def curvature2(self, st: State) -> Array:
        """Squared curvature (1/mm^2) at nodes 1..N-1."""
        bend = st.x[2:] - 2.0 * st.x[1:-1] + st.x[:-2]
        return np.einsum("ij,ij->i", bend, bend) / st.h**4

    def need(self, st: State) -> float:
        """Push in the guide (N): Q0 = L + friction + 1/2 kappa^2 dB_dev/db + wall work on the growing radius.

        This is the balance of configurational force along the rod from the wire's free end, where Q = 0
        unless that end presses on the wall (then Q is the wall energy per length there).
        """
        case, h = self.case, st.h
        geo = self.geometry(st.x, st.s)
        pen, _ = self.contact(geo, self.profile(h)[1])
        b = (self.n - np.arange(self.count + 1)) * h
        grow_b = case.b_dev(b + 0.5 * h) - case.b_dev(b - 0.5 * h)
        grow_r = (case.radius(b + 0.5 * h) - case.radius(b - 0.5 * h)) / h
        load = case.wall * pen * geo["a"]
        q = st.load + case.friction * float(self.sliding @ load) + float(load @ grow_r)
        return q + 0.5 * float(self.curvature2(st) @ grow_b[1:-1]) + self.end_energy(st)

    def end_energy(self, st: State) -> float:
        """Return the wall energy per path length at the wire's free end (N): its share of the need."""
        geo = self.geometry(st.x, st.s)
        return float(self.contact(geo, self.profile(st.h)[1])[1][-1])

    def need_at_guide(self, st: State) -> float:
        """Return the same push from the section force and moment at the guide: N0 - M0^2 / (2 B0) (N)."""
        h = st.h
        stiff, _ = self.profile(h)
        link = st.x[1:] - st.x[:-1]
        ex = np.array([1.0, 0.0, 0.0])
        q1 = stiff[1] * (link[1] - link[0]) / h**3
        force = 2.0 * stiff[0] * (link[0] - h * ex) / h**3 - q1 + st.lam[0] * link[0] / h
        m_start = stiff[0] * 2.0 * (link[0] / h - ex) / h  # bending moment vector at h/4
        m_1, m_2 = stiff[1] * (link[1] - link[0]) / h**2, stiff[2] * (link[2] - link[1]) / h**2
        c = [0.0, 0.0, 0.0]  # quadratic extrapolation from h/4, h, 2h to 0
        pts = np.array([0.25, 1.0, 2.0])
        for k in range(3):
            others = np.delete(pts, k)
            c[k] = float(np.prod(others / (others - pts[k])))
        m0 = c[0] * m_start + c[1] * m_1 + c[2] * m_2
        m0 = m0 - (m0 @ ex) * ex
        return float(-force @ ex - m0 @ m0 / (2.0 * stiff[0]))

    def modes(self, st: State, number: int = 6, shift: float = -2e-4) -> tuple[Array, Array]:
        """Eigenvalues of the constrained tangent nearest to the shift (real parts, lowest first) and vectors.

        They are the decay rates of the gradient flow that also lets the feed follow the tip's excess load:
        all positive = stable with the tip at its place under the given load.  The slightly negative shift
        puts every eigenvalue that has just turned negative ahead of the soft positive ones.
        """
        geo = self.geometry(st.x, st.s)
        lu = splu(self.tangent(geo, st, -shift * self.link, -shift * FEED_DRAG * self.n))
        weight = np.zeros(self.size)
        weight[: self.nx] = self.link
        weight[-1] = FEED_DRAG * self.n  # multiplies h, hence the vector put together below
        op = LinearOperator(
            (self.size, self.size), matvec=lambda y: lu.solve(weight * np.append(y[:-1], y[-2]))
        )
        start = np.random.default_rng(1).standard_normal(self.size)
        theta, vec = eigs(op, k=number, which="LM", v0=start, tol=1e-6)
        value = shift + (1.0 / theta).real
        if self.in_plane:
            part = (np.abs(vec[2 : self.nx : 3]) ** 2).sum(0) / (np.abs(vec[: self.nx]) ** 2).sum(0)
            value = np.where(part > 0.5, np.inf, value)
        order = np.argsort(value)
        return value[order], vec[:, order].real


# ------------------------------------------------------------------------------------------- the tracing
@dataclass
class Trace:
    """What one continuation in the tip load found (N); prolapse None: beyond the largest load tried."""

    need: list[float | None]
    guide: list[float | None]
    prolapse: float | None
    first_limit: float | None
    events: list[dict[str, float | str | None]]
    device_mm: list[float | None]
    out_of_plane_mm: list[float | None]
    pen_mm: list[float | None]
    wire_end: float = 0.0


def direction(chain: Chain, st: State, wx: float, before: Array | None) -> Array:
    """Find the unit tangent of the solution branch in (x, load), continuing the one before."""
    geo = chain.geometry(st.x, st.s)
    z = splu(chain.tangent(geo, st)).solve(-chain.load_column(geo))[: chain.nx]
    tan = np.append(z, 1.0) / np.sqrt(wx * (z @ z) + 1.0)
    if before is not None and wx * (tan[:-1] @ before[:-1]) + tan[-1] * before[-1] < 0.0:
        tan = -tan
    return tan


def follow(chain: Chain, st: State, tan: Array, wx: float, above: float) -> tuple[State | None, float]:
    """Follow the branch past a limit point, as far as it stays in the vessel at a positive load.

    Returns its first stable state above the given load (N), and the largest load (N) of any state on it.
    """
    step, top = 0.03, st.load
    for _ in range(500):
        try:
            new = chain.newton(st, st.load + step * tan[-1], arc=(st, tan, step, wx), iters=8, cap=0.5)
        except (NotConvergedError, RuntimeError):
            step *= 0.5
            if step < 1e-6:
                break
            continue
        new_tan = direction(chain, new, wx, tan)
        if wx * (tan[:-1] @ new_tan[:-1]) + tan[-1] * new_tan[-1] < 0.9 and step > 2e-3:
            step *= 0.5
            continue
        st, tan = new, new_tan
        if chain.worst_pen(st) > PEN_LIMIT_MM or st.load < 0.0:
            break
        top = max(top, st.load)
        if st.load > above and tan[-1] > 0.0 and chain.modes(st)[0][0] > 0.0:
            return st, top
        if st.load > LOAD_LIMIT_N:
            break
        step = min(step * 1.4, 0.1)
    return None, top


def trace(
    case: Case,
    link: float,
    in_plane: bool = False,
    top: float = LOAD_LIMIT_N,
    max_step: float = 0.08,
    along_branch: bool = False,
    of: type[Chain] = Chain,
) -> Trace:
    """Raise the tip load from 0, following snaps to other stable states inside the vessel.

    At a limit point the gradient flow decides; where it neither settles nor leaves (and always, along_branch)
    the next stable part of the same branch is taken, when there is one above the limit.
    """
    chain = of(case, link)
    chain.in_plane = in_plane
    blank: list[float | None] = [None] * len(case.loads)
    out = Trace(blank[:], blank[:], None, None, [], blank[:], blank[:], blank[:])
    st = chain.flow(chain.centred(), 0.0)
    if st is None:
        out.prolapse = 0.0
        return out
    wx = chain.link / 50.0

    def record(state: State) -> None:
        for k, load in enumerate(case.loads):
            if load <= state.load + 1e-12 and out.need[k] is None:
                try:
                    at = chain.newton(state, load)
                except (NotConvergedError, RuntimeError):
                    continue
                out.need[k], out.guide[k] = chain.need(at), chain.need_at_guide(at)
                out.device_mm[k], out.pen_mm[k] = chain.n * at.h, chain.worst_pen(at)
                out.out_of_plane_mm[k] = float(np.abs(at.x[:, 2]).max())
                out.wire_end = max(out.wire_end, chain.end_energy(at))

    record(st)
    tan = direction(chain, st, wx, None)
    step = 0.03
    for _ in range(1500):
        try:
            new = chain.newton(st, st.load + step * tan[-1], arc=(st, tan, step, wx), iters=8, cap=0.5)
        except (NotConvergedError, RuntimeError):
            step *= 0.5
            if step < 1e-6:
                out.events.append({"kind": "continuation stopped", "load_N": round(st.load, 5)})
                out.prolapse = st.load
                return out
            continue
        new_tan = direction(chain, new, wx, tan)
        turn = wx * (tan[:-1] @ new_tan[:-1]) + tan[-1] * new_tan[-1]
        if turn < 0.9 and step > 2e-3:
            step *= 0.5
            continue
        low, shape = chain.modes(new)
        fold = new_tan[-1] <= 0.0
        if (fold or low[0] <= 0.0) and step > 1e-3:
            step *= 0.5
            continue
        pen = chain.worst_pen(new)
        if pen > PEN_LIMIT_MM:
            out.events.append({"kind": "left the vessel while stable", "load_N": round(new.load, 5)})
            out.prolapse = st.load
            return out
        if fold or low[0] <= 0.0:
            limit = max(st.load, new.load)
            kind = "limit point" if fold else "bifurcation"
            if fold and out.first_limit is None:
                out.first_limit = limit
            if not fold:
                part = np.sum(shape[2 : chain.nx : 3, 0] ** 2) / np.sum(shape[: chain.nx, 0] ** 2)
                kind += " out of plane" if case.planar and part > 0.5 else ""
            above = limit + max(0.003, 0.003 * limit)
            found = None
            for size in (0.02,) if fold else (0.02, -0.02):
                found = chain.flow(chain.nudged(st, shape[:, 0], size), above)
                if found is not None:
                    break
            event = {
                "kind": kind,
                "load_N": round(float(limit), 5),
                "then": "prolapse" if found is None else "snap",
            }
            if found is None:
                event["flow"] = "left the vessel" if chain.left else "ran on without settling"
            if found is None and fold:
                ahead, highest = follow(chain, st, tan, wx, above)
                event["branch_highest_load_N"] = round(float(highest), 5)
                event["branch_stable_again_at_N"] = None if ahead is None else round(float(ahead.load), 5)
                if ahead is not None and (along_branch or not chain.left):
                    found, event["then"] = ahead, "snap to the branch's next stable part"
            out.events.append(event)
            if found is None or len(out.events) > 12:
                out.prolapse = limit
                return out
            st, step = found, 0.02
            record(st)
            tan = direction(chain, st, wx, None)
            continue
        st, tan = new, new_tan
        record(st)
        if st.load >= top:
            return out
        step = min(step * 1.4, max_step)
    out.events.append({"kind": "continuation stopped", "load_N": round(st.load, 5)})
    out.prolapse = st.load
    return out


# -------------------------------------------------------------------------------------------- the cases
def line(length: float) -> dict[str, float | str]:
    """Describe a straight piece (mm)."""
    return {"kind": "line", "length_mm": length}


def arc(radius: float, degrees: float, plane_degrees: float = 0.0) -> dict[str, float | str]:
    """Describe an arc (mm, degrees), stored in rad."""
    return {
        "kind": "arc",
        "radius_mm": radius,
        "angle_rad": round(float(np.radians(degrees)), 12),
        "plane_rad": round(float(np.radians(plane_degrees)), 12),
    }


def device(stent_b: float, shaft_b: float, shaft_r: float, wire_r: float = 0.178) -> dict[str, list[float]]:
    """Tip ramp 0..3 mm, stent of 18 mm, ramp of 2 mm, shaft: stiffness (N mm^2) and radius (mm)."""
    return {
        "behind": [0.0, 3.0, 21.0, 23.0],
        "dev_b": [0.0, stent_b, stent_b, shaft_b],
        "dev_r": [wire_r, 0.5, 0.5, shaft_r],
    }


def all_cases() -> list[Case]:
    """List the cases, frictionless planar ones first."""
    helix = [line(10.0)] + [arc(14.0, 60.0, p) for p in (0.0, 60.0, 120.0, 180.0)] + [line(70.0)]
    coil = [line(8.0)] + [arc(12.0, 80.0, p) for p in (0.0, 50.0, 100.0, 150.0, 200.0)] + [line(60.0)]
    c_150 = [line(12.0), arc(18.0, 150.0), line(80.0)]
    s_240 = [line(10.0), arc(15.0, 120.0), line(6.0), arc(12.0, 120.0, 180.0), line(70.0)]
    c_200 = [line(15.0), arc(12.0, 200.0), line(70.0)]
    wide = [line(10.0), arc(30.0, 120.0), line(80.0)]
    cross = [line(10.0), arc(20.0, 90.0), line(5.0), arc(10.0, 120.0, 90.0), line(70.0)]
    tight = [
        line(12.0),
        arc(8.0, 90.0, 20.0),
        line(4.0),
        arc(9.0, 100.0, 140.0),
        line(3.0),
        arc(16.0, 60.0, 250.0),
        line(70.0),
    ]
    twist = [line(8.0), arc(25.0, 80.0, 0.0), arc(10.0, 110.0, 120.0), arc(18.0, 70.0, 220.0), line(70.0)]

    def make(
        name: str,
        path: list[dict[str, float | str]],
        lumen: float,
        wall: float,
        mu: float,
        wire: float,
        dev: tuple[float, float, float],
        tip: float,
        planar: bool = False,
        beyond: float = 45.0,
    ) -> Case:
        return Case(
            name, path, lumen, wall, mu, wire, 0.178, tip=tip, planar=planar, beyond=beyond, **device(*dev)
        )

    return [
        make("planar-c150-frictionless", c_150, 1.5, 0.1, 0.0, 8.0, (25.0, 8.0, 0.40), 55.0, True),
        make("planar-s240-frictionless", s_240, 1.2, 1.0, 0.0, 12.0, (30.0, 10.0, 0.45), 62.0, True),
        make("planar-c200-frictionless-soft", c_200, 1.8, 0.03, 0.0, 4.0, (15.0, 5.0, 0.40), 50.0, True),
        make("planar-c150-friction", c_150, 1.5, 0.3, 0.12, 8.0, (25.0, 8.0, 0.40), 55.0, True),
        make("planar-s240-friction", s_240, 1.2, 1.0, 0.05, 12.0, (30.0, 10.0, 0.45), 62.0, True),
        make("planar-s240-soft", s_240, 2.0, 0.03, 0.12, 5.0, (20.0, 4.0, 0.35), 66.0, True),
        make("planar-c200-stiff-wall", c_200, 0.9, 3.0, 0.2, 20.0, (45.0, 12.0, 0.45), 48.0, True),
        make("planar-wide-weak-shaft", wide, 1.6, 0.03, 0.05, 3.0, (18.0, 4.0, 0.35), 75.0, True),
        make("helix-frictionless", helix, 1.3, 3.0, 0.0, 10.0, (25.0, 8.0, 0.40), 58.0),
        make("helix-friction", helix, 1.3, 0.3, 0.12, 10.0, (25.0, 8.0, 0.40), 58.0),
        make("helix-soft", helix, 2.2, 0.03, 0.05, 6.0, (20.0, 6.0, 0.40), 52.0),
        make("cross-bend", cross, 1.4, 0.1, 0.12, 5.0, (22.0, 5.0, 0.40), 45.0),
        make("coil-400", coil, 1.3, 1.0, 0.12, 14.0, (30.0, 9.0, 0.45), 85.0),
        make("tight-three-bends", tight, 1.5, 0.3, 0.05, 3.0, (18.0, 5.0, 0.40), 54.0),
        make("twist-floppy-wire", twist, 1.8, 0.1, 0.2, 2.0, (15.0, 4.0, 0.35), 72.0),
        make("stiff-wire-cross", cross, 1.0, 1.0, 0.2, 40.0, (40.0, 12.0, 0.45), 36.0, beyond=75.0),
    ]


PLANE_NOTE = (
    "Path starts at the origin, tangent +x; normals n1 = +y, n2 = +z are carried along without twist "
    "(Bishop frame); each arc bends toward cos(plane) n1 + sin(plane) n2 of the carried frame."
)


def rounded(values: list[float | None], digits: int = 6) -> list[float | None]:
    """Round, keeping None."""
    return [None if v is None else round(float(v), digits) for v in values]


def change(fine: list[float | None], coarse: list[float | None]) -> float | None:
    """Largest |fine - coarse| (N) over the loads both have."""
    both = [abs(f - c) for f, c in zip(fine, coarse, strict=True) if f is not None and c is not None]
    return round(max(both), 6) if both else None


def run_case(case: Case, links: tuple[float, float] = (0.25, 0.125)) -> dict[str, object]:
    """Solve one case at two link lengths (mm) and lay it out as the JSON record."""
    coarse, fine = (trace(case, link) for link in links)

    def num(v: float | None) -> float | None:
        return None if v is None else round(v, 5)

    record: dict[str, object] = {
        "id": case.id,
        "path": case.path,
        "plane_convention": PLANE_NOTE,
        "planar": case.planar,
        "lumen_radius_mm": case.lumen,
        "wall_MPa": case.wall,
        "friction": case.friction,
        "wire": {"stiffness_Nmm2": case.wire_b, "radius_mm": case.wire_r, "beyond_mm": case.beyond},
        "device": {"behind_tip_mm": case.behind, "stiffness_Nmm2": case.dev_b, "radius_mm": case.dev_r},
        "tip_mm": case.tip,
        "loads_N": case.loads,
        "need_N": rounded(fine.need),
        "need_from_guide_section_N": rounded(fine.guide),
        "prolapse_N": num(fine.prolapse),
        "first_limit_N": num(fine.first_limit),
        "events": fine.events,
        "device_in_vessel_mm": rounded(fine.device_mm, 5),
        "worst_penetration_mm": rounded(fine.pen_mm, 5),
        "refinement": {
            "link_mm": list(links),
            "need_N_coarse": rounded(coarse.need),
            "need_change_N": change(fine.need, coarse.need),
            "prolapse_N_coarse": num(coarse.prolapse),
            "first_limit_N_coarse": num(coarse.first_limit),
            "events_coarse": coarse.events,
            "need_less_guide_section_N": change(fine.need, fine.guide),
            "wire_end_wall_energy_N": round(fine.wire_end, 6),
        },
    }
    if any(e["then"] == "prolapse" and e.get("branch_stable_again_at_N") for e in fine.events if "then" in e):
        record["prolapse_along_branch_N"] = num(trace(case, links[0], along_branch=True).prolapse)
    if case.planar:
        flat = trace(case, links[1], in_plane=True)
        record["out_of_plane_mm"] = rounded(fine.out_of_plane_mm, 4)
        record["held_in_plane"] = {
            "need_N": rounded(flat.need),
            "prolapse_N": num(flat.prolapse),
            "first_limit_N": num(flat.first_limit),
            "events": flat.events,
        }
    return record


# ---------------------------------------------------------------------------------------- the self-check
class Cantilever(Chain):
    """A clamped chain of given length under a dead transverse end force (N), no vessel."""

    force = 0.0

    def residual(self, geo: dict[str, Array], st: State) -> Array:
        """As the parent's, with the dead end force and a given link length."""
        res = super().residual(geo, st)
        res[self.nx - 2] -= self.force
        res[-2] = st.h - self.link
        return res

    def tangent(self, geo: dict[str, Array], st: State, mass: float = 0.0, feed: float = 0.0) -> csc_matrix:
        """As the parent's, with the row of the given link length."""
        mat = super().tangent(geo, st, mass, feed).tolil()
        mat[-2, :] = 0.0
        mat[-2, -2] = 1.0
        return mat.tocsc()


def check_elastica() -> float:
    """Largest error of the tip-loaded cantilever's end place against the elliptic-integral values."""
    table = {
        1.0: (0.30172, 0.05643),
        2.0: (0.49346, 0.16064),
        5.0: (0.71379, 0.38763),
        10.0: (0.81061, 0.55500),
    }
    base = Case(
        "cantilever",
        [line(200.0)],
        1e3,
        0.0,
        0.0,
        1e4,
        0.0,
        [0.0, 1.0],
        [0.0, 0.0],
        [0.0, 0.0],
        100.0,
        beyond=0.0,
    )
    chain = Cantilever(base, 0.5)
    st, worst = chain.centred(), 0.0
    for force in np.arange(0.05, 10.01, 0.05):
        chain.force = float(force)
        st = chain.newton(st, 0.0, iters=30, cap=10.0)
        for alpha, (w, u) in table.items():
            if abs(force - alpha) < 1e-9:
                got_w, got_u = st.x[-1, 1] / 100.0, 1.0 - st.x[-1, 0] / 100.0
                worst = max(worst, abs(got_w - w), abs(got_u - u))
                print(f"elastica alpha {alpha:g}: w/L {got_w:.5f} ({w}), u/L {got_u:.5f} ({u})")
    return worst


def check_foundation() -> float:
    """Relative error of the buckling load of a long beam on an elastic foundation against 2 sqrt(k B)."""
    stiff, wall = 10.0, 0.1
    base = Case(
        "foundation",
        [line(600.0)],
        0.178,
        wall,
        0.0,
        stiff,
        0.178,
        [0.0, 1.0],
        [0.0, 0.0],
        [0.178, 0.178],
        400.0,
        beyond=100.0,
    )
    chain = Chain(base, 0.5)
    low, high = 1.0, 3.0
    while high - low > 1e-4:
        load = 0.5 * (low + high)
        st = chain.centred(load)
        st.lam[: chain.n] = -load
        if chain.modes(st)[0][0] > 0.0:
            low = load
        else:
            high = load
    want = 2.0 * np.sqrt(wall * stiff)
    print(f"beam on foundation: {low:.4f} N, 2 sqrt(k B) = {want:.4f} N")
    return abs(low - want) / want


def check_tight_tube() -> tuple[float, float]:
    """Relative errors of the push into a tight circular tube (1/2 B kappa^2) and of the capstan factor."""
    path = [line(20.0), arc(20.0, 180.0), line(80.0)]
    base = Case(
        "tube", path, 0.21, 100.0, 0.0, 5.0, 0.2, [0.0, 3.0], [0.0, 100.0], [0.2, 0.2], 50.0, beyond=80.0
    )
    chain = Chain(base, 0.125)
    st = chain.flow(chain.centred(), 0.0)
    if st is None:
        return np.inf, np.inf
    want = 0.5 * 100.0 / 20.0**2
    got = chain.need_at_guide(st)
    print(
        f"tight circular tube: need {got:.5f} N (balance along the rod {chain.need(st):.5f}), "
        f"1/2 B kappa^2 {want:.5f} N"
    )
    base = replace(base, lumen=0.2, friction=0.2, wire_b=1.0, dev_b=[0.0, 0.2], tip=100.0, beyond=50.0)
    chain = Chain(base, 0.125)
    rope = chain.flow(chain.centred(), 0.0)
    if rope is None:
        return abs(got - want) / want, np.inf
    for load in np.arange(0.25, 2.01, 0.25):
        rope = chain.newton(rope, float(load), iters=30)
    factor = np.exp(0.2 * np.pi)
    ratio = chain.need_at_guide(rope) / 2.0
    print(f"capstan: need / load {ratio:.5f}, exp(mu theta) {factor:.5f}")
    return abs(got - want) / want, abs(ratio - factor) / factor


def check_work() -> float:
    """Largest relative error of the need against d(stored energy)/d(pushed length), frictionless, no load."""
    worst = 0.0
    three = {c.id: c for c in all_cases()}
    trials = [
        ("planar-s240-frictionless", 62.0, 1.0),
        ("planar-c200-stiff-wall", 48.0, 3.0),
        ("stiff-wire-cross", 36.0, 1.0),
        ("coil-400", 85.0, 1.0),
    ]
    for name, tip, wall in trials:
        energy, length, need, guide = [], [], [], []
        for d in (tip - 0.1, tip, tip + 0.1):
            case = replace(three[name], friction=0.0, wall=wall, tip=d)
            chain = Chain(case, d / round(tip / 0.0625))
            st = chain.flow(chain.centred(), 0.0)
            if st is None:
                return np.inf
            energy.append(chain.energy(st))
            length.append(chain.n * st.h)
            need.append(chain.need(st))
            guide.append(chain.need_at_guide(st))
        rate = (energy[2] - energy[0]) / (length[2] - length[0])
        worst = max(worst, abs(guide[1] - rate) / abs(rate))
        print(
            f"work balance {name}: dE/dl {rate:.5f} N, need {need[1]:.5f} N, "
            f"N0 - M0^2/(2 B0) {guide[1]:.5f} N"
        )
    return worst


def selfcheck() -> int:
    """Run all checks; 0 when every one holds."""
    tube, capstan = check_tight_tube()
    results = [
        ("elastica (of length)", check_elastica(), 2e-4),
        ("foundation buckling", check_foundation(), 0.01),
        ("tight tube", tube, 0.01),
        ("capstan", capstan, 0.01),
        ("work balance", check_work(), 0.005),
    ]
    for name, error, limit in results:
        print(f"{name}: error {error:.2e}, limit {limit:g}, {'ok' if error < limit else 'FAILED'}")
    return 0 if all(error < limit for _, error, limit in results) else 1


NOTE = (
    "Elastic rod in a curved compliant tube, solved by an inextensible chain in space (generate.py). "
    "need_N: push in the guide that keeps the device moving at the tip load of loads_N, null past prolapse. "
    "prolapse_N: largest tip load with a stable state in the vessel (null: above 2.5). "
    "first_limit_N: the first limit point in the load, null if none met. "
    "Values are those of the finer chain in refinement.link_mm."
)


def write(records: dict[str, dict[str, object]], order: list[str], target: FilePath) -> None:
    """Write what there is so far."""
    cases = [records[k] for k in order if k in records]
    text = json.dumps({"note": NOTE, "units": "mm, N, MPa, rad", "cases": cases}, indent=1)
    target.write_text(text + "\n", encoding="utf-8")


def main() -> int:
    """Command line."""
    parser = argparse.ArgumentParser(description="Write reference.json, or check the solver.")
    parser.add_argument("--selfcheck", action="store_true", help="check against closed forms")
    parser.add_argument("--only", nargs="*", help="case ids to redo; the others are kept from the file")
    parser.add_argument("--out", type=FilePath, default=HERE / "reference.json")
    args = parser.parse_args()
    if args.selfcheck:
        return selfcheck()
    cases = all_cases()
    records: dict[str, dict[str, object]] = {}
    if args.only is not None and args.out.exists():
        records = {c["id"]: c for c in json.loads(args.out.read_text(encoding="utf-8"))["cases"]}
    for case in cases:
        if args.only is not None and case.id not in args.only:
            continue
        begin = time.time()
        records[case.id] = run_case(case)
        rec = records[case.id]
        print(
            case.id,
            rec["need_N"],
            "prolapse",
            rec["prolapse_N"],
            "first",
            rec["first_limit_N"],
            rec["events"],
            rec["refinement"]["need_change_N"],
            f"{time.time() - begin:.0f} s",
            flush=True,
        )
        write(records, [c.id for c in cases], args.out)
    return 0


if __name__ == "__main__":
    sys.exit(main())
