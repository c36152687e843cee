"""Rule 12 and calm: noise of known size found to a tenth, shapes of all kinds left alone."""

from __future__ import annotations

import numpy as np
import pytest

import corpus.fault_012_rough_skin as fault
from corpus import solids
from lint.measure import Survey
from lint.settings import Settings
from tests.meshes import SCAN_RULES, cases, mended, part, said
from tests.scans import needs_scans, scan

BALL = solids.ball(40, level=5)


def noisy(mesh: solids.Mesh, sigma: float, seed: int = 3) -> solids.Mesh:
    """Points moved along the true normal of a ball about the origin."""
    rng = np.random.default_rng(seed)
    unit = mesh[0] / np.linalg.norm(mesh[0], axis=1)[:, None]
    return mesh[0] + rng.normal(scale=sigma, size=(len(unit), 1)) * unit, mesh[1]


@pytest.mark.parametrize("sigma", [0.15, 0.2, 0.3])
def test_noise_is_measured_to_a_tenth(sigma: float) -> None:
    (finding,) = said(noisy(BALL, sigma), 12)
    assert finding.measured == pytest.approx(sigma, rel=0.12)
    assert finding.limit == pytest.approx(0.1)


@pytest.mark.parametrize(("sigma", "layer", "spoken"), [(0.07, 0.2, []), (0.14, 0.2, ["rough"]), (0.14, 0.4, []), (0.07, 0.1, ["rough"])])
def test_either_side_of_half_a_layer(sigma: float, layer: float, spoken: list[str]) -> None:
    assert cases(noisy(BALL, sigma), 12, Settings(layer=layer)) == spoken


@pytest.mark.parametrize(
    "mesh",
    [
        BALL, solids.ball(40, level=3), solids.ball(40, level=1), solids.box((40, 40, 40), step=1), solids.tube(20, 12, 30, 24, 20),
        solids.torus(30, 8, 96, 32), solids.torus(30, 8, 24, 12),
        solids.turned([(0, 0), (40, 0), (40, 10), (20, 30), (20, 60), (35, 90), (0, 120)], 64),
    ],
)  # fmt: skip
def test_shapes_are_not_rough(mesh: solids.Mesh) -> None:
    assert cases(mesh, 12) == []


def test_fine_waves_are_detail_and_not_noise() -> None:
    """Ridges 0.6 mm high and 5 mm from crest to crest, on facets of 0.5 mm: the sculptor's, not the scanner's."""
    vertices, faces = solids.box((40, 40, 40), step=0.8)
    wave = vertices.copy()
    top = vertices[:, 2] > 39.9
    wave[top, 2] += 0.3 * np.sin(2 * np.pi * vertices[top, 0] / 5)
    assert cases((wave, faces), 12) == []


def test_rims_are_left_out() -> None:
    """A ragged rim is the cut's and not the scanner's."""
    rng = np.random.default_rng(5)
    keep = BALL[0][BALL[1]].mean(axis=1)[:, 2] > 0
    ragged = keep & (rng.random(len(keep)) < np.where(BALL[0][BALL[1]].mean(axis=1)[:, 2] < 4, 0.5, 2))
    assert cases((BALL[0], BALL[1][ragged]), 12) == []


def test_it_needs_units() -> None:
    assert cases(noisy(BALL, 0.3), 12, units=None) == []


def test_calm_is_for_the_asking() -> None:
    specimen = fault.make()
    assert mended((specimen.vertices, specimen.faces), "calm").steps == ()


def test_calm_brings_the_skin_near_the_true_ball_and_keeps_its_volume() -> None:
    specimen = fault.make()
    mesh = specimen.vertices, specimen.faces
    done = mended(mesh, "calm", settings=Settings(steps=("calm",)), numbers=SCAN_RULES[:-2])
    assert [s.outcome for s in done.steps] == ["done"]
    assert not done.after.findings

    def off(vertices: np.ndarray) -> float:
        high = vertices[vertices[:, 2] > 8]
        return float(np.sqrt(((np.linalg.norm(high, axis=1) - 30) ** 2).mean()))

    assert off(done.part.vertices) < 0.6 * off(mesh[0])
    was, now = (float(Survey(part(m)).get("volume")) for m in (mesh, (done.part.vertices, done.part.faces)))
    assert now == pytest.approx(was, rel=1e-7)
    below = {(p + 0.0).tobytes() for p in mesh[0][mesh[0][:, 2] < 0]}
    assert below <= {p.tobytes() for p in done.part.vertices}, "smooth skin is not touched"


def test_calm_leaves_a_rim_where_it_was() -> None:
    vertices, faces = noisy(BALL, 0.3)
    half = vertices[faces].mean(axis=1)[:, 2] > 0
    mesh = vertices, faces[half]
    done = mended(mesh, "calm", settings=Settings(steps=("calm",)), numbers=(1, 4, 7, 12))
    assert done.steps[0].outcome == "done"

    def rim(subject: solids.Mesh) -> set[bytes]:
        survey = Survey(part(subject))
        return {p.tobytes() for r in survey.get("rims") for p in survey.get("skin").vertices[r.points]}

    assert rim((done.part.vertices, done.part.faces)) == rim(mesh)


@needs_scans
@pytest.mark.parametrize("name", ["headform_medium.stl", "ear_left.stl", "ear_crop_open.ply", "mask_hannya.ply", "residual_limb_skin.stl"])
def test_modelled_and_averaged_skins_are_not_rough(name: str) -> None:
    """Averages of many people and carved masks carry detail as fine as their facets, and no scan noise."""
    import trimesh

    mesh = trimesh.load(scan(name), process=False, force="mesh")
    assert cases((np.array(mesh.vertices), np.array(mesh.faces, dtype=np.int64)), 12) == []


@needs_scans
def test_noise_put_on_a_real_head_is_found() -> None:
    import trimesh

    mesh = trimesh.load(scan("headform_medium.stl"), process=False, force="mesh")
    skin = Survey(part((np.array(mesh.vertices), np.array(mesh.faces, dtype=np.int64)))).get("skin")
    rng = np.random.default_rng(6)
    found = said((skin.vertices + rng.normal(scale=0.5, size=skin.vertices.shape), skin.faces), 12)
    assert found
    assert found[0].measured == pytest.approx(0.5, rel=0.2)
