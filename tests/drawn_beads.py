"""Beads drawn with exact answers, and ideal or spoiled reader maps made from a photo's truth file."""

import json
from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np

from toeline.measures.indications import find_indications
from toeline.measures.width_and_edges import measure_bead
from toeline.result import Bead, PhotoInfo, Result, Scale, Settings
from toeline.trace.band import Band, TracedBead
from toeline.trace.networks import channels
from toeline.trace.ripples import read_ripples

STEP = 0.25
PX = 10.0
REACH = 40.0


@dataclass
class FlatFrame:
    """A plate seen square on at 12 px per mm, with a print scale error as its only doubt."""

    u_scale: float = 0.001
    has_scale: bool = True

    def to_mm(self, px):
        return np.asarray(px) / 12.0

    def to_px(self, mm):
        return np.asarray(mm) * 12.0

    def covariance_mm(self, px):
        d = self.u_scale * self.to_mm(px)
        return d[:, :, None] * d[:, None, :]

    def error_modes(self, px):
        return {"print scale": (self.u_scale * self.to_mm(px))[None]}


@dataclass
class Spoil:
    """How far the maps are from ideal."""

    noise: float = 0.0
    blur_mm: float = 0.08
    low: float = 0.02
    high: float = 0.97
    drop: float = 0.0  # share of crests missing
    double: float = 0.0  # share of crests doubled
    ragged: float = 0.0  # share of every region rubbed out in patches
    false_blobs: int = 0  # faint blobs on every map but face, crest and forward
    toe: float = 0.0  # noise of the traced toes, mm, correlated over 1 mm
    seed: int = 1


@dataclass
class Drawing:
    """What to draw. Lengths mm; positions along and square to the seam."""

    length: float = 100.0
    left: object = 4.5  # number or function of s
    right: object = -4.5
    crests: object = ()
    depth: float = 3.0
    vee: float = 0.3
    zig: float = 0.0
    undercut: list = field(default_factory=list)  # (side, from, to, width)
    overlap: list = field(default_factory=list)  # (side, from, to)
    spatter: list = field(default_factory=list)  # (s, t, diameter)
    pores: list = field(default_factory=list)
    crater: tuple | None = None  # (s, diameter, cracked)
    restart: float | None = None
    slag: list = field(default_factory=list)  # (s, t, length, width)
    arc_strikes: list = field(default_factory=list)  # (s, t, diameter)


def correlated(n, sd, length, rng):
    z = rng.standard_normal(n)
    rho = np.exp(-STEP / length)
    out = np.empty(n)
    out[0] = z[0]
    for i in range(1, n):
        out[i] = rho * out[i - 1] + np.sqrt(1 - rho**2) * z[i]
    return sd * out


def rounded(offset, s, length, width):
    """A bead's rounded ends: the toes come together over half a width."""
    r = width / 2
    near = np.clip(np.minimum(s, length - s) / r, 0, 1)
    return offset * np.sqrt(np.clip(1 - (1 - near) ** 2, 0, 1))


def draw(d, spoil=None, frame=None, start=(10.0, 90.0), direction=(1.0, 0.0), ends_seen=(True, True), reach=REACH):
    """The traced bead of a drawing, its maps spoiled as asked."""
    spoil = spoil or Spoil()
    rng = np.random.default_rng(spoil.seed)
    s = np.arange(0, d.length + 1e-9, STEP)
    edges = [f(s) if callable(f) else np.full(len(s), float(f)) for f in (d.left, d.right)]
    width = float(np.median(edges[0] - edges[1]))
    left, right = edges if callable(d.left) else (rounded(e, s, d.length, width) for e in edges)
    margin = 12.0
    bs = np.arange(-margin, d.length + margin + 1e-9, 1 / PX)
    bt = np.arange(reach, -reach - 1e-9, -1 / PX)
    grid_s, grid_t = np.meshgrid(bs, bt)
    inside = (bs >= 0) & (bs <= d.length)
    tl = np.where(inside, np.interp(bs, s, left), 0.0)
    tr = np.where(inside, np.interp(bs, s, right), 0.0)
    maps = {name: np.zeros((len(bt), len(bs)), np.float32) for name in channels("reader")}
    maps["face"] = ((grid_t < tl) & (grid_t > tr)).astype(np.float32)
    maps["forward"] = maps["face"].copy()

    def paint(name, where):
        maps[name][where] = 1.0

    def disc(name, s0, t0, diameter):
        paint(name, (grid_s - s0) ** 2 + (grid_t - t0) ** 2 <= diameter**2 / 4)

    crests = np.asarray(d.crests, float)
    kept = crests[rng.random(len(crests)) >= spoil.drop]
    extra = kept[rng.random(len(kept)) < spoil.double] + 0.35
    half = (tl - tr) / 2
    with np.errstate(divide="ignore", invalid="ignore"):
        x = np.where(half > 0.3, (grid_t - (tl + tr) / 2) / half, np.nan)
    shape = d.depth * ((1 - d.vee) * x**2 + d.vee * np.abs(x))
    pitch = float(np.mean(np.diff(crests))) if len(crests) > 1 else 1.0
    face = maps["face"] > 0
    # distance to the nearest crest line, found by where each pixel's own line meets the mid line
    for k, c in enumerate(np.concatenate([kept, extra])):
        line = c + shape + (d.zig * pitch * x * (-1) ** k if d.zig else 0.0)
        with np.errstate(invalid="ignore"):
            paint("crest", face & (np.abs(grid_s - line) < 0.17))
    for side, a, b, w in d.undercut:
        toe = tl if side == "left" else tr
        out = (grid_t - toe) * (1 if side == "left" else -1)
        where = (grid_s >= a) & (grid_s <= b) & (out > -0.15 * w) & (out < 0.85 * w)
        paint("undercut", where)
    for side, a, b in d.overlap:
        toe = tl if side == "left" else tr
        out = (grid_t - toe) * (1 if side == "left" else -1)
        paint("overlap", (grid_s >= a) & (grid_s <= b) & (out > -0.8) & (out < 0.3))
    for ball in d.spatter:
        disc("spatter", *ball)
    for pore in d.pores:
        disc("pore", *pore)
    if d.crater:
        s0, diameter, cracked = d.crater
        disc("crater_hollow", s0, 0.0, diameter)
        if cracked:
            paint("crater_crack", (np.abs(grid_t) < 0.15) & (np.abs(grid_s - s0) < diameter / 3))
    if d.restart is not None:
        paint("restart", face & (np.abs(grid_s - d.restart) < 2.0))
    for s0, t0, ln, w in d.slag:
        paint("slag", (np.abs(grid_s - s0) < ln / 2) & (np.abs(grid_t - t0) < w / 2))
    for mark in d.arc_strikes:
        disc("arc_strike", *mark)
    for name, m in maps.items():
        if name not in ("face", "crest", "forward") and spoil.false_blobs:
            for _ in range(spoil.false_blobs):
                at = (int(rng.integers(m.shape[1])), int(rng.integers(m.shape[0])))
                cv2.circle(m, at, int(rng.integers(2, 5)), 0.35, -1)
        maps[name] = spoiled(m, spoil, rng)
    to_left = np.array([direction[1], -direction[0]])
    seam = np.array(start) + bs[:, None] * np.array(direction)
    noise = [correlated(len(s), spoil.toe, 1.0, rng) for _ in (0, 1)]
    band = Band(
        image=np.full((len(bt), len(bs), 3), 128, np.uint8),
        maps=maps,
        s=bs,
        t=bt,
        seen=np.ones((len(bt), len(bs)), bool),
        seam=seam,
        left=np.broadcast_to(to_left, (len(bs), 2)).copy(),
    )
    u = np.full(len(s), max(spoil.toe, 0.02))
    return TracedBead(
        frame=frame or FlatFrame(),
        band=band,
        s=s,
        t_left=left + noise[0],
        t_right=right + noise[1],
        u_left=u,
        u_right=u,
        confidence=np.full(len(s), 0.95),
        start_seen=ends_seen[0],
        end_seen=ends_seen[1],
        travel="known",
        travel_evidence="drawn",
        found_confidence=0.99,
    )


def spoiled(m, spoil, rng):
    """One map made less than ideal: patches rubbed out, blurred, squeezed into soft probabilities, speckled."""
    if not (m.any() or spoil.ragged or spoil.noise):
        return np.full(m.shape, spoil.low, np.float32)
    if spoil.ragged:
        coarse = rng.random((m.shape[0] // 12 + 1, m.shape[1] // 12 + 1)).astype(np.float32)
        patches = cv2.resize(coarse, m.shape[::-1], interpolation=cv2.INTER_CUBIC)
        m = np.where(patches < np.quantile(patches, spoil.ragged), m * 0.3, m)
    m = cv2.GaussianBlur(m.astype(np.float32), (0, 0), spoil.blur_mm * PX)
    m = spoil.low + (spoil.high - spoil.low) * m
    if spoil.noise:
        speckle = cv2.GaussianBlur(rng.standard_normal(m.shape).astype(np.float32), (0, 0), 1.5)
        m = m + spoil.noise * speckle / float(speckle.std())
    return np.clip(m, 0, 1).astype(np.float32)


def from_truth(path, spoil=None, frame=None):
    """The bead of a truth file as an ideal reader would hand it on, then spoiled."""
    truth = json.loads(Path(path).read_text("utf-8"))
    b = truth["bead"]
    s = np.array(b["s_mm"])
    toes = b["toes_seam_mm"]
    left, right = np.array(toes["left"]), np.array(toes["right"])
    mid = lambda at: float(np.interp(at, s, (left + right) / 2))  # noqa: E731
    crater = b["crater"]
    undercut = []
    for run in b["undercut"]:
        every = run["depth_every_mm"]
        depth = np.array(every["depth"])
        at = every["s0"] + every["step"] * np.arange(len(depth))
        deep = at[depth >= 0.15]
        if len(deep):
            undercut.append((run["side"], float(deep[0]), float(deep[-1]), run["width_mm"]))
    ripples = b["ripples"]
    pitch = ripples["pitch_mean_mm"]
    zig = truth["generator"].get("parameters", {}).get("bead", {}).get("weave_zig", 0.0)
    drawing = Drawing(
        length=float(s[-1]),
        left=lambda at: np.interp(at, s, left),
        right=lambda at: np.interp(at, s, right),
        crests=ripples["crest_s_mm"],
        depth=ripples["crescent_depth_mm"],
        vee=ripples["vee"],
        zig=zig / 2 if pitch else 0.0,
        undercut=undercut,
        overlap=[(o["side"], o["start_mm"], o["end_mm"]) for o in b["overlap"]],
        spatter=[(x["s_mm"], x["t_mm"], x["diameter_mm"]) for x in truth["spatter"] if abs(x["t_mm"]) < REACH],
        pores=[(p["s_mm"], mid(p["s_mm"]), p["diameter_mm"]) for p in b["pores"]],
        crater=(crater["s_mm"], crater["diameter_mm"], crater["star_crack"]) if crater["state"] == "unfilled" else None,
        restart=b["restart"]["s_mm"] if b["restart"] else None,
        slag=[(x["s_mm"], x["t_mm"], x["len_mm"], x["wid_mm"]) for x in b["slag_islands"]],
        arc_strikes=[(x["s_mm"], x["t_mm"], x["d_mm"]) for x in b["arc_strikes"]],
    )
    start = np.array(b["seam"]["start_mm"][:2])
    direction = np.array(b["seam"]["travel_direction_plate"])
    return truth, draw(drawing, spoil, frame, start, direction)


def truth_of(d, bead):
    """A truth file's content for a drawing and the bead drawn from it, seen by the bead's own frame."""
    s, left, right = bead.s, bead.t_left, bead.t_right
    width = float(np.median(left - right))
    lo, hi = width, float(s[-1]) - width
    body = (s >= lo) & (s <= hi)
    over = (left - right)[body]
    to_px = lambda at, t: bead.frame.to_px(bead.band.to_surface(np.array([at]), np.array([t])))[0].tolist()  # noqa: E731
    toes = {"left": bead.left_toe, "right": bead.right_toe}
    crests = np.asarray(d.crests, float)
    gaps = np.diff(crests[(crests >= lo) & (crests <= hi)])

    def toe(t):
        y, n = t[body], int(body.sum())
        means = [y[i - min(50, i, n - 1 - i) : i + min(50, i, n - 1 - i) + 1].mean() for i in range(n)]
        line = y - np.polyval(np.polyfit(s[body], y, 1), s[body])
        return {
            "rms_from_25mm_mean_mm": float(np.sqrt(np.mean((y - means) ** 2))),
            "rms_from_line_mm": float(np.sqrt(np.mean(line**2))),
        }

    undercut = []
    for side, a, b, w in d.undercut:
        depth = np.where((np.arange(int(s[-1]) + 1) >= a) & (np.arange(int(s[-1]) + 1) <= b), 0.7, 0.0)
        every = {"s0": 0.0, "step": 1.0, "depth": depth.tolist()}
        undercut.append({"side": side, "start_mm": a, "end_mm": b, "width_mm": w, "depth_every_mm": every})
    return {
        "photo": "drawn.jpg",
        "usable": True,
        "cause": "good",
        "kind": "stringer",
        "image": {"width": 3000, "height": 2400},
        "card": {"shown": True, "check_line_measured_mm": 50.0},
        "bead": {
            "s_mm": s.tolist(),
            "toes_plate_mm": {k: v.tolist() for k, v in toes.items()},
            "toes_px": {k: bead.frame.to_px(v).tolist() for k, v in toes.items()},
            "toes_seam_mm": {"left": left.tolist(), "right": right.tolist()},
            "seam": {"length_mm": float(s[-1]), "start_px": to_px(0.0, 0.0), "end_px": to_px(float(s[-1]), 0.0)},
            "body": {"from_mm": lo, "to_mm": hi},
            "width_mm": {
                "mean": float(over.mean()),
                "min": float(over.min()),
                "max": float(over.max()),
                "sd": float(over.std(ddof=1)),
            },
            "toe_left": toe(left),
            "toe_right": toe(right),
            "ripples": {
                "crest_s_mm": crests.tolist(),
                "pitch_mean_mm": float(gaps.mean()),
                "pitch_sd_mm": float(gaps.std(ddof=1)),
                "crescent_depth_mm": d.depth,
            },
            "undercut": undercut,
            "overlap": [{"side": side, "start_mm": a, "end_mm": b} for side, a, b in d.overlap],
            "pores": [{"px": to_px(a, t), "diameter_mm": w} for a, t, w in d.pores],
            "slag_islands": [{"px": to_px(a, t), "len_mm": n} for a, t, n, _ in d.slag],
            "arc_strikes": [{"px": to_px(a, t), "d_mm": w} for a, t, w in d.arc_strikes],
            "restart": None if d.restart is None else {"s_mm": d.restart},
            "crater": {"state": "unfilled" if d.crater else "filled", "star_crack": bool(d.crater and d.crater[2])},
        },
        "spatter": [{"px": to_px(a, t), "diameter_mm": w, "in_frame": True} for a, t, w in d.spatter],
    }


def result_of(bead, *, turned=False, usable=True):
    """The result document of a bead; ``turned`` as if its travel had been read the wrong way round."""
    ripples = read_ripples(bead.band, bead.s, bead.t_left, bead.t_right)
    found = find_indications(bead, ripples)
    measures = measure_bead(bead, found, ripples)
    points = lambda xy: tuple((float(x), float(y)) for x, y in xy)  # noqa: E731
    toes = {"left": bead.left_toe, "right": bead.right_toe}
    if turned:
        length = float(bead.s[-1])
        other = {"left": "right", "right": "left", None: None}
        back = lambda at: None if at is None else length - at  # noqa: E731
        found = tuple(
            i.model_copy(update={"side": other[i.side], "from_": back(i.to), "to": back(i.from_)}) for i in found
        )
        toes = {"left": toes["right"][::-1], "right": toes["left"][::-1]}
        measures = {swapped(k): q for k, q in measures.items()}
    px = {k: bead.frame.to_px(v) for k, v in toes.items()}
    ends = [(px["left"][k] + px["right"][k]) / 2 for k in (0, -1)]
    return Result(
        photo=PhotoInfo(name="drawn.jpg", sha256="0" * 64, width_px=3000, height_px=2400, usable=usable),
        scale=Scale(state="card", cards=("A",)),
        bead=Bead(
            found=True,
            start_px=points(ends)[0],
            end_px=points(ends)[1],
            start_seen=bead.start_seen,
            end_seen=bead.end_seen,
            travel="known",
            s=tuple(bead.s.tolist()),
            left_toe=points(toes["left"]),
            right_toe=points(toes["right"]),
            left_toe_px=points(px["left"]),
            right_toe_px=points(px["right"]),
        ),
        measures=measures,
        indications=found,
        settings=Settings(),
    )


def swapped(name):
    """A measure's name with left and right exchanged."""
    return name.replace("left", "#").replace("right", "left").replace("#", "right")
