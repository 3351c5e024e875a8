"""Frames and truth of simulated scenes."""

from __future__ import annotations

import math
from typing import Any, ClassVar

import numpy as np
import pytest

from poolwatch.model.axes import PoolAxes
from poolwatch.model.errors import UsageError
from poolwatch.simulate import Scene, Simulation

QUIET: dict[str, Any] = {"read_noise": 0.0, "electrons_full_scale": 0.0, "black_level": 0.0}


def scene(**parts: Any) -> Scene:
    camera = {"width": 192, "height": 112, **parts.pop("camera", {})}
    return Scene.checked({"frames": 40, "camera": camera, **parts}, where="test")


def flat(**parts: Any) -> Scene:
    """An evenly bright pool on black, without keyhole, noise or halo."""
    pool = {"hot": 0.5, "rim": 0.5, "background": 0.0, "halo": 0.0, **parts.pop("pool", {})}
    camera = {**QUIET, **parts.pop("camera", {})}
    return scene(pool=pool, keyhole={"spots_mm": []}, camera=camera, **parts)


BUSY: dict[str, Any] = {
    "pool": {"ripple": 0.1, "length": {"noise_sd": 0.03}, "sway": {"noise_sd": 0.05}},
    "spatter": {"rate_per_s": 2000, "gravity_mm_s2": 9810},
    "disturbances": {
        "flicker_sd": 0.01, "shake_px": 0.5, "plume": {}, "trail": {}, "glare": {}, "marks": {},
        "flares": {"rate_per_s": 500}, "reflection": {}, "repeated_share": 0.1, "dropped_share": 0.1,
    },
}  # fmt: skip


class TestFrames:
    def test_a_frame_is_the_same_in_whatever_range_it_is_rendered(self) -> None:
        sim = Simulation(scene(**BUSY))
        whole = sim.frames(0, 40)
        for start, stop in ((0, 1), (17, 23), (39, 40)):
            np.testing.assert_array_equal(Simulation(sim.scene).frames(start, stop), whole[start:stop])

    def test_another_seed_gives_other_frames(self) -> None:
        one, other = (Simulation(scene(seed=seed, **BUSY)).frames(5, 6) for seed in (1, 2))
        assert (one != other).mean() > 0.2

    def test_a_longer_clip_begins_with_the_same_frames(self) -> None:
        # Shares of faulty frames and drifts refer to the whole clip and are left out.
        parts = {**BUSY, "disturbances": {"flicker_sd": 0.01, "plume": {}, "trail": {}}}
        short, long = Simulation(scene(**parts)), Simulation(scene(**parts).model_copy(update={"frames": 90}))
        np.testing.assert_array_equal(short.frames(30, 38), long.frames(30, 38))

    @pytest.mark.parametrize("span", [(-1, 2), (3, 2), (0, 41)])
    def test_a_range_outside_is_refused(self, span: tuple[int, int]) -> None:
        with pytest.raises(UsageError, match="are outside the simulated clip of 40"):
            Simulation(scene()).frames(*span)

    def test_an_empty_range_has_the_shape_of_frames(self) -> None:
        assert Simulation(scene()).frames(3, 3).shape == (0, 112, 192)

    @pytest.mark.parametrize(("direction", "turns"), [(90, 1), (180, 2), (270, 3)])
    def test_a_turned_scene_is_the_turned_picture(self, direction: int, turns: int) -> None:
        camera = {**QUIET, "width": 128, "height": 128, "mm_per_px": 0.03}
        parts = {
            "spatter": {"rate_per_s": 3000},
            "pool": {"ripple": 0.1},
            "disturbances": {"trail": {}, "plume": {}},
        }
        straight = Simulation(scene(camera=camera, **parts)).light(20)
        turned = Simulation(scene(camera={**camera, "direction_deg": direction}, **parts)).light(20)
        # np.rot90 turns counter-clockwise as seen.
        np.testing.assert_allclose(turned, np.rot90(straight, turns), atol=2e-4)

    @pytest.mark.parametrize("bits", [10, 12, 16])
    def test_depth_only_changes_the_step(self, bits: int) -> None:
        eight = Simulation(scene(camera=QUIET)).frames(3, 4).astype(float) / 255
        deep = Simulation(scene(camera={**QUIET, "depth_bits": bits})).frames(3, 4)
        assert deep.dtype == np.uint16
        assert np.abs(deep / (2**bits - 1) - eight).max() <= 0.5 / 255 + 0.5 / (2**bits - 1)

    def test_left_aligned_values_are_shifted(self) -> None:
        right = Simulation(scene(camera={"depth_bits": 12})).frames(3, 4)
        left = Simulation(scene(camera={"depth_bits": 12, "left_aligned": True}))
        np.testing.assert_array_equal(left.frames(3, 4), right << 4)
        assert left.scene.camera.full_scale == 4095 << 4

    def test_light_beyond_full_scale_is_cut(self) -> None:
        sim = Simulation(scene(pool={"hot": 3.0, "rim": 2.0}))
        assert (sim.frames(0, 1) == 255).sum() == pytest.approx(sim.truth_frames.area_px2[0], rel=0.1)


class TestPool:
    @pytest.mark.parametrize("taper", [0.0, 0.45, 0.9])
    @pytest.mark.parametrize("direction", [0, 33])
    def test_summed_light_is_the_area(self, taper: float, direction: float) -> None:
        sim = Simulation(
            flat(pool={"taper": taper, "sway": {"noise_sd": 0.1}}, camera={"direction_deg": direction})
        )
        for frame in (0, 19):
            area = sim.light(frame).sum(dtype=float) / 0.5
            assert area == pytest.approx(sim.truth_frames.area_px2[frame], rel=5e-4)

    def test_an_ellipse_has_the_area_and_the_width_of_an_ellipse(self) -> None:
        # Area pi a b of an ellipse with semi-axes 3 and 1: 9.4247780.
        sim = Simulation(flat(pool={"taper": 0.0, "length_mm": 1.2, "width_mm": 0.4}))
        truth = sim.truth_frames.iloc[0]
        assert truth.area_px2 / 100 == pytest.approx(9.4247780, abs=1e-6)
        assert (truth.length_px, truth.width_px) == pytest.approx((60, 20))

    @pytest.mark.parametrize("direction", [0, 90, 137.0])
    def test_truth_equals_the_polygon(self, direction: float) -> None:
        sim = Simulation(
            scene(
                pool={"taper": 0.6, "sway": {"noise_sd": 0.2}, "length": {"noise_sd": 0.05}, "front": {"noise_sd": 0.1}},
                camera={"direction_deg": direction},
                disturbances={"shake_px": 2.0},
            )
        )  # fmt: skip
        for frame in (0, 25):
            row = sim.truth_frames.iloc[frame]
            along = PoolAxes(row.origin_x_px, row.origin_y_px, direction).px(sim.outline(frame))
            u, v = along.T
            assert u.max() == pytest.approx(row.front_px, abs=2e-3)
            assert u.min() == pytest.approx(row.rear_px, abs=2e-3)
            assert u.max() - u.min() == pytest.approx(row.length_px, abs=2e-3)
            assert v.max() - v.min() == pytest.approx(row.width_px, abs=2e-3)
            area = 0.5 * abs(np.dot(u, np.roll(v, -1)) - np.dot(v, np.roll(u, -1)))
            assert area == pytest.approx(row.area_px2, rel=2e-5)

    def test_edges_lie_where_the_truth_says(self) -> None:
        """Chords through the middle, from the light along two rows and two columns: 0.003 px."""
        sim = Simulation(flat(pool={"taper": 0.0, "length_mm": 2.437, "width_mm": 1.213}))
        row = sim.truth_frames.iloc[0]
        light = sim.light(0).astype(float) / 0.5
        # Two pixels beside the axis and the blur shorten the mean chord of an ellipse by <y²> / (2 b²).
        spread = 0.9**2 + 1 / 3
        for chord, along, across in (
            (light[55:57].sum() / 2, row.length_px, row.width_px),
            (light[:, 95:97].sum() / 2, row.width_px, row.length_px),
        ):
            assert chord == pytest.approx(along * (1 - spread / (2 * (across / 2) ** 2)), abs=3e-3)

    def test_planted_tones_stand_in_the_truth(self) -> None:
        motion = {
            "tones": [{"frequency_hz": 250, "amplitude": 0.04}, {"frequency_hz": 700, "amplitude": 0.01}]
        }
        sim = Simulation(scene(frames=2000, pool={"length": motion}, keyhole={"motion": motion}))
        for column in ("length_px", "keyhole_brightness"):
            values = sim.truth_frames[column].to_numpy()
            spectrum = np.abs(np.fft.rfft(values / values.mean())) * 2 / len(values)
            frequency = np.fft.rfftfreq(len(values), 1e-4)
            assert spectrum[np.argmin(np.abs(frequency - 250))] == pytest.approx(0.04, rel=1e-6)
            assert spectrum[np.argmin(np.abs(frequency - 700))] == pytest.approx(0.01, rel=1e-6)
            assert np.sort(spectrum[1:])[-3] < 1e-9

    def test_red_noise_has_its_standard_deviation_and_memory(self) -> None:
        sim = Simulation(scene(frames=40_000, pool={"width": {"noise_sd": 0.03, "noise_time_s": 1e-3}}))
        values = sim._line.width / sim._line.width.mean() - 1
        # 4 s hold about 2000 correlation times (two of 1 ms each): the sd is known to 1.6 %.
        assert values.std() == pytest.approx(0.03, rel=0.06)
        assert np.corrcoef(values[:-10], values[10:])[0, 1] == pytest.approx(math.exp(-1), abs=0.07)

    def test_collapses_reach_their_depth_at_their_times(self) -> None:
        sim = Simulation(scene(keyhole={"collapse_times_s": [1e-3, 3e-3], "collapse_depth": 0.7}))
        dips = sim.truth_frames.keyhole_brightness.to_numpy() / 0.95
        assert dips[[10, 30]] == pytest.approx(0.3)
        assert dips[[0, 20, 39]] == pytest.approx(1)
        assert sim.collapse_times_s == pytest.approx([1e-3, 3e-3])

    @pytest.mark.parametrize("brightness", [0.1, 0.9])
    def test_the_keyhole_is_as_bright_as_the_truth_says(self, brightness: float) -> None:
        keyhole = {"motion": {"noise_sd": 0.1}, "diameter_mm": 0.5, "brightness": brightness}
        sim = Simulation(scene(keyhole=keyhole))
        row = sim.truth_frames.iloc[7]
        light = sim.light(7)[round(row.origin_y_px), round(row.origin_x_px)]
        assert light == pytest.approx(row.keyhole_brightness, abs=5e-3)


class TestNoise:
    def test_variance_rises_with_brightness_by_one_over_the_electrons(self) -> None:
        # Photon transfer: variance = mean / electrons + read noise² (EMVA 1288, chapter on the linear model).
        levels = np.tile(np.linspace(0.05, 0.9, 18, dtype=np.float32), (600, 1)).repeat(5, axis=1)
        sim = Simulation(scene(camera={"depth_bits": 16, "read_noise": 0.003, "electrons_full_scale": 5000}))
        from poolwatch.simulate import sensor

        grey = (
            sensor.expose(levels, sim.scene.camera, np.random.default_rng(5), np.zeros_like(levels)) / 65535
        )
        columns = grey.reshape(600, 18, 5).transpose(1, 0, 2).reshape(18, -1)
        slope, offset = np.polyfit(columns.mean(axis=1) - 0.01, columns.var(axis=1), 1)
        assert slope == pytest.approx(1 / 5000, rel=0.05)
        assert offset == pytest.approx(0.003**2, abs=4e-6)

    def test_noise_is_white_in_space_and_time(self) -> None:
        sim = Simulation(scene(pool={"halo": 0.0, "hot": 0.3, "rim": 0.3}, camera={"depth_bits": 16}))
        dark = sim.frames(0, 20)[:, :20].astype(float)
        dark -= dark.mean()
        for other in (dark[:, :, 1:] * dark[:, :, :-1], dark[1:] * dark[:-1], dark[:, 1:] * dark[:, :-1]):
            assert abs(other.mean() / dark.var()) < 5 / math.sqrt(dark.size)


class TestSpatter:
    FLYING: ClassVar[dict[str, Any]] = {"rate_per_s": 3000, "speed_mm_s": 900, "diameter_mm": 0.06}

    def test_counts_are_poisson(self) -> None:
        counts = [
            len(Simulation(scene(seed=seed, frames=400, spatter={"rate_per_s": 1000}))._flying)
            for seed in range(60)
        ]
        # Mean 39.9 a clip, known to 0.8; variance / mean of 60 draws is 1 +- 0.18.
        assert np.mean(counts) == pytest.approx(39.9, abs=3)
        assert 0.5 < np.var(counts, ddof=1) / np.mean(counts) < 1.6

    def test_bursts_have_more_than_poisson_scatter(self) -> None:
        spatter = {"rate_per_s": 1000, "burst_mean": 5}
        counts = [len(Simulation(scene(seed=s, frames=400, spatter=spatter))._flying) for s in range(60)]
        assert np.mean(counts) == pytest.approx(39.9, abs=8)
        assert np.var(counts, ddof=1) / np.mean(counts) > 3

    @pytest.mark.parametrize("taper", [0.0, 0.45, 0.9])
    def test_birth_is_on_the_outline_and_the_flight_leads_away(self, taper: float) -> None:
        sim = Simulation(
            scene(frames=200, pool={"taper": taper, "sway": {"noise_sd": 0.05}}, spatter=self.FLYING)
        )
        from poolwatch.simulate import outline

        born = sim.truth_spatter
        assert len(born) > 30
        line = sim._line
        for row in born.itertuples():
            at = {
                name: np.interp(row.birth_frame, np.arange(200), getattr(line, name))
                for name in ("length", "width", "front", "sway")
            }
            u, v = PoolAxes(line.beam_x[0], line.beam_y[0], 0).px(np.array([row.x_px, row.y_px]))
            half = outline.half_width(u, at["length"], at["width"], at["front"], taper)
            middle = at["sway"] * ((at["front"] - u) / at["length"]) ** 2
            tip = min(abs(u - at["front"]), abs(u - at["front"] + at["length"]))
            assert abs(abs(v - middle) - half) < 1e-3 or tip < 1e-3

    def test_sightings_lie_on_the_path(self) -> None:
        sim = Simulation(scene(frames=100, spatter=self.FLYING, camera={"direction_deg": 40}))
        born = sim.truth_spatter.set_index("particle")
        seen = sim.truth_sightings
        later = seen[seen.frame - born.birth_frame[seen.particle].to_numpy() > 0.3]
        row = born.loc[later.particle]
        flown = (later.frame.to_numpy() - row.birth_frame.to_numpy()) * row.speed_px_frame.to_numpy()
        away = np.hypot(
            later.x_px.to_numpy() - row.x_px.to_numpy(), later.y_px.to_numpy() - row.y_px.to_numpy()
        )
        np.testing.assert_allclose(away, flown, atol=1e-6)
        angle = np.array([
            PoolAxes(0, 0, 40).direction(np.array([x, y]))
            for x, y in zip(later.x_px.to_numpy() - row.x_px.to_numpy(), later.y_px.to_numpy() - row.y_px.to_numpy(), strict=True)
        ])  # fmt: skip
        assert np.abs((angle - row.direction_deg.to_numpy() + 180) % 360 - 180).max() < 1e-6
        whole = later[later.visible > 0.999]
        expected = born.speed_px_frame[whole.particle].to_numpy() * 0.4
        np.testing.assert_allclose(whole.streak_px, expected, rtol=1e-6)

    def test_a_streak_has_the_light_of_a_standing_disc(self) -> None:
        spatter = {**self.FLYING, "diameters_mm": [0.09], "rate_per_s": 400, "brightness": 0.8}
        pool = {"background": 0.0, "halo": 0.0}
        light = {}
        for exposure in (0.0, 9e-5):
            camera = {"exposure_s": exposure, "mm_per_px": 0.03, "height": 192}
            sim = Simulation(scene(spatter=spatter, pool=pool, camera=camera, frames=300))
            without = Simulation(
                sim.scene.model_copy(
                    update={"spatter": sim.scene.spatter.model_copy(update={"rate_per_s": 0.0})}
                )
            )
            seen = sim.truth_sightings
            alone = seen.groupby("frame").filter(lambda rows: len(rows) == 1 and rows.visible.iloc[0] > 0.999)
            away = alone[np.abs(alone.y_px - 95.5) > 32]
            near_border = (away.y_px < 14) | (away.y_px > 177) | (away.x_px < 14) | (away.x_px > 177)
            frames = away[~near_border].frame
            assert len(frames) >= 3
            light[exposure] = [float((sim.light(f) - without.light(f)).sum(dtype=float)) for f in frames[:12]]
            peaks = away.peak_brightness
            assert peaks.max() < (0.6 if exposure else 0.8)
        disc = math.pi * (0.09 / 2 / 0.03) ** 2 * 0.8
        for values in light.values():
            assert values == pytest.approx([disc] * len(values), rel=1e-3)

    def test_lost_and_doubled_frames_show_in_the_sightings(self) -> None:
        spatter = {**self.FLYING, "rate_per_s": 400, "direction_deg": 90, "spread_deg": 10}
        plain = Simulation(scene(frames=300, spatter=spatter)).truth_sightings
        track = plain[plain.particle == plain.particle.value_counts().index[0]].reset_index(drop=True)
        assert len(track) >= 6
        at = int(track.frame[3])
        spoilt = Simulation(
            scene(
                frames=300,
                spatter=spatter,
                disturbances={"dropped_before": [at], "repeated_frames": [at + 1]},
            )
        )
        seen = spoilt.truth_sightings
        seen = seen[seen.particle == track.particle[0]].reset_index(drop=True)
        assert list(seen.frame[:5]) == list(track.frame[:5])
        # Frame 3 shows what would have been frame 4, and so does the doubled one after it.
        np.testing.assert_allclose(seen.y_px[2:6], track.y_px[[2, 4, 4, 5]])
        born = spoilt.truth_spatter.birth_frame[track.particle[0] - 1]
        assert born == pytest.approx(
            Simulation(scene(frames=300, spatter=spatter)).truth_spatter.birth_frame[track.particle[0] - 1]
        )

    def test_origin_keyhole_is_seen_over_the_pool_before_it_is_born(self) -> None:
        sim = Simulation(scene(frames=200, spatter={**self.FLYING, "origin": "keyhole"}))
        seen, born = sim.truth_sightings, sim.truth_spatter.set_index("particle")
        before = seen[seen.frame < born.birth_frame[seen.particle].to_numpy() - 1]
        assert len(before) > 20
        assert before.visible.max() < 0.5
        first = born.first_frame.dropna().astype(float)
        assert (first >= np.floor(born.birth_frame[first.index]) - 1).all()

    def test_a_landed_particle_moves_with_the_metal(self) -> None:
        sim = Simulation(
            scene(
                frames=300,
                spatter={**self.FLYING, "rate_per_s": 300, "landing_share": 1.0, "landing_mm": 0.2},
            )
        )
        seen = sim.truth_sightings
        steps = seen.groupby("particle")[["x_px", "y_px"]].diff().dropna()
        landed = steps[np.abs(steps.y_px) < 1e-9]
        # 100 mm/s at 10 kHz and 0.02 mm: half a pixel a frame, backwards.
        assert len(landed) > 50
        assert np.median(landed.x_px) == pytest.approx(-0.5, abs=1e-6)


class TestDisturbances:
    def test_states_of_faulty_frames(self) -> None:
        sim = Simulation(
            scene(
                disturbances={
                    "black_frames": [3],
                    "blown_frames": [5],
                    "repeated_frames": [8],
                    "dropped_before": [12],
                }
            )
        )
        frames, states = sim.frames(0, 40), sim.truth_frames.state
        assert list(states[[2, 3, 5, 8]]) == ["ok", "dark", "blown", "repeated"]
        assert frames[3].max() < 12
        assert frames[5].min() > 120
        assert (frames[5] == 255).mean() > 0.2
        np.testing.assert_array_equal(frames[8], frames[7])
        times = sim.truth_frames.true_time_s * 1e4
        assert list(times[[7, 8, 9, 11, 12]].round(6)) == [7, 7, 8, 10, 12]

    def test_a_pool_at_the_border_is_cut_off(self) -> None:
        sim = Simulation(scene(camera={"beam_x_px": 150.0}))
        row = sim.truth_frames.iloc[0]
        assert row.origin_x_px + row.front_px > 185
        assert row.state == "ok"
        assert Simulation(scene(camera={"beam_x_px": 160.0})).truth_frames.state[0] == "cut_off"
        bars = scene(disturbances={"bars": {"width_px": 40}})
        assert Simulation(bars).truth_frames.state[0] == "cut_off"
        assert np.ptp(Simulation(bars).light(0)[:, :40]) == 0

    def test_welds_begin_and_end_with_ramps(self) -> None:
        sim = Simulation(
            scene(welds=[{"start_s": 5e-4, "stop_s": 15e-4}, {"start_s": 3e-3, "stop_s": 9e-3}], ramp_s=5e-4, spatter={"rate_per_s": 20_000})
        )  # fmt: skip
        truth = sim.truth_frames
        assert truth.state[0] == "dark"
        assert truth.length_px.isna().tolist() == [*[True] * 6, *[False] * 14, *[True] * 11, *[False] * 9]
        assert len(sim.outline(0)) == 0
        assert truth["size"][12] == 1
        assert truth.keyhole_brightness[17:30].isna().all()
        born = sim.truth_spatter.birth_frame
        assert len(born) > 5
        assert ((born > 5) & (born < 15) | (born > 30)).all()

    def test_a_standing_camera_sees_the_pool_travel(self) -> None:
        sim = Simulation(scene(camera={"standing": True, "direction_deg": 90}, travel_speed_mm_s=400))
        truth = sim.truth_frames
        assert np.diff(truth.origin_y_px) == pytest.approx(np.full(39, -2.0))
        assert np.ptp(truth.origin_x_px) < 1e-9

    def test_gain_fall_and_flicker_scale_all_light(self) -> None:
        sim = Simulation(scene(camera={**QUIET, "depth_bits": 16}, disturbances={"gain_fall": 0.5}))
        first, last = sim.frames(0, 1).astype(float), sim.frames(39, 40).astype(float)
        assert last.sum() / first.sum() == pytest.approx(0.5, rel=1e-3)
        assert sim.truth_frames.gain[39] == pytest.approx(0.5)

    @pytest.mark.parametrize("name", ["plume", "trail", "glare", "reflection", "flares", "marks"])
    def test_each_light_adds_light(self, name: str) -> None:
        part = {
            "reflection": {"left_mm": 0.8},
            "flares": {"rate_per_s": 2000},
            "marks": {"rate_per_s": 3000},
        }.get(name, {})
        with_it = Simulation(scene(disturbances={name: part}))
        without = Simulation(scene())
        gain = max(float((with_it.light(f) - without.light(f)).max()) for f in range(15, 30))
        loss = min(float((with_it.light(f) - without.light(f)).min()) for f in range(15, 30))
        assert gain > 0.02
        assert loss > -5e-4

    def test_hot_marks_travel_with_the_metal(self) -> None:
        marks = {"rate_per_s": 150.0, "fade_s": 1.0, "sigma_mm": 0.05}
        with_it = Simulation(scene(frames=400, disturbances={"marks": marks}))
        without = Simulation(scene(frames=400))
        steps = []
        for frame in range(60, 380, 20):
            now, then = (with_it.light(f)[:, :60] - without.light(f)[:, :60] for f in (frame, frame + 10))
            x = int(now.max(axis=0).argmax())
            if now.max() > 0.15 and 12 < x < 26:
                steps.append(int(then[:, : x + 1].max(axis=0).argmax()) - x)
        assert len(steps) >= 3
        assert np.median(steps) == pytest.approx(-5, abs=1)


class TestScene:
    @pytest.mark.parametrize(
        ("values", "match"),
        [
            ({"camera": {"depth_bits": 7}}, "depth_bits"),
            ({"camera": {"exposure_s": 1.0}}, "longer than a frame"),
            ({"frames": 0}, "frames"),
            ({"pool": {"taper": 1.2}}, "taper"),
            ({"nonsense": 1}, "unknown setting 'nonsense'"),
            ({"disturbances": {"black_frames": [99]}, "frames": 50}, "frame 99 is not among 0 … 49"),
            ({"welds": [{"start_s": 2, "stop_s": 1}]}, "must be after"),
            ({"welds": [{"start_s": 0, "stop_s": 2}, {"start_s": 1, "stop_s": 3}]}, "welds overlap"),
            ({"pool": {"length": {"noise_sd": float("nan")}}}, "noise_sd"),
        ],
    )
    def test_bad_values_are_refused(self, values: dict[str, Any], match: str) -> None:
        with pytest.raises(UsageError, match=match):
            Scene.checked(values, where="test")
