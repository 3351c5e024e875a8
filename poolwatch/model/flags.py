"""Frame statuses and clip flags: every word that can stand in `status` or `flags`, with its meaning.

Documented here once; the reference (`poolwatch explain`) and the report read this registry.
"""

from __future__ import annotations

from collections.abc import Sequence

STATUSES: dict[str, str] = {
    "ok": "measured",
    "undecodable": "the frame's data are damaged and could not be decoded",
    "repeated": "the same picture as the frame before it: the camera or a converter doubled it",
    "dark": "nothing in the frame reaches the brightness of the pool: beam off, shutter or black frame",
    "blown": "so much of the frame is at full scale that no edge can be found",
    "no_pool": "no region like the clip's pool stands out",
    "cut_off": (
        "the pool's outline touches the border of the picture or of the region of interest, or comes too near for"
        " the edge to be seen whole. Too near is 1.5 times the blur, in illuminated footage some 5 px of where "
        "moving metal enters or leaves"
    ),
    "hidden": "something in front (plume, glare, a large particle) covers part of the edge",
    "broken": "the outline falls apart or jumps by more than a pool can between frames",
}

FLAGS: dict[str, str] = {
    "truncated": "the file ends before its header says; measured as far as it goes",
    "undecodable_frames": "some frames are damaged",
    "count_disagrees": (
        "more frames are stored than the header says: some may have been doubled or joined in from elsewhere"
    ),
    "missing_frames": (
        "frames are missing by their time stamps or numbers: they are rows without figures, "
        "so that times stay right"
    ),
    "dropped_frames": (
        "particles or metal jump by whole steps: frames were dropped without a trace in the file, "
        "and times behind them are too early"
    ),
    "record_rate_low": (
        "the record rate is below 500 Hz. A pool's fluctuation, some 50 to 800 Hz (common practice, no source), "
        "is missed or mirrored to lower frequencies. Check that it is not the playback rate"
    ),
    "uneven_times": (
        "time stamps in the file are uneven: frames may have been dropped, or taken at a changing rate. Times are"
        " counted from the record rate alone"
    ),
    "lossy_video": (
        "the file is compressed with loss (MJPEG, H.264, HEVC, JPEG …). Small particles come out too large: in "
        "tests at 2 to 3 px by a tenth to a third in diameter and up to double in mass. That is one to three "
        "times their stated uncertainty. What was wiped out is not found, so spatter_min_diameter_mm is too good."
        " Outlines and speeds hold, counts in glowing footage; in illuminated footage up to a quarter of the particles "
        "may be false and as many missed. Record or export without loss (TIFF, FFV1, uncompressed), or give "
        "spatter.psf_sigma_px from a clip without loss through the same optics (look, psf_sigma_px in its "
        "run.json)"
    ),
    "repeated_frames": "frames repeat the one before; they fake spectra and are left out",
    "several_welds": (
        "the clip holds several welds, with no pool between them; only the longest was scored. Name another part "
        "in the settings (stability.steady start_s, stop_s)"
    ),
    "few_frames_measured": "fewer than 90 % of the frames of the steady part could be measured",
    "pool_cut_off": (
        "the pool reaches out of the picture in more than 2 % of the frames of the steady part. These are its "
        "longest or widest moments, so pool_length_mm, pool_width_mm, pool_area_mm2 and their _cv are too small, "
        "by more the larger the share of frames. Aim the camera or enlarge the picture"
    ),
    "pool_saturated": "the pool's interior reaches full scale: keyhole brightness cannot be known",
    "edge_saturated": (
        "the step at the pool's edge reaches full scale, so the outline rests on the lower part of the step "
        "alone. pool_length_mm, pool_width_mm, pool_front_mm and pool_rear_mm may be some tenths of a pixel off. "
        "In lossy video it is 1 to 2 px where the rim is above twice full scale"
    ),
    "tail_narrow": (
        "an end of the pool is narrower than some five times the blur. It is seen too short, by a third of the "
        "blur to several times as much: so are pool_length_mm and pool_rear_mm. pool_width_mm holds"
    ),
    "edge_unseen": (
        "hardly a step of brightness is seen at an end of the pool, or along a fifth of its outline. What glows "
        "behind or beside it (a hot bead, plume) is as bright as the pool, or at full scale with it, and the "
        "outline follows that. pool_length_mm, pool_rear_mm, pool_area_mm2 and their _cv may be wrong by up to "
        "half. Expose shorter until the pool alone reaches full scale, or choose a filter that dims the solid "
        "more than the liquid. Keep plume away, or light the metal from outside"
    ),
    "tail_faint": (
        "the step of brightness at an end of the pool is below a third of the usual one, or part of the outline "
        "lies on a slope (hot bead, plume). On a calm surface it is found. Where ripples or plume are as strong, "
        "pool_length_mm and pool_rear_mm follow them and may be off by up to a tenth. A filter that dims the "
        "solid more than the liquid, or light from outside, helps"
    ),
    "black_cut_off": (
        "most of the surroundings read exactly 0: the recording's black seems cut off, so faint light is missing."
        " Particles out of focus seem sharper than they are, and small ones too large"
    ),
    "keyhole_saturated": (
        "the keyhole region reaches full scale: its brightness is a lower limit, or left empty "
        "where it cannot be known"
    ),
    "particles_sharp": (
        "particles look sharper than the pool's edge by more than 8 %. Either the edge is soft or out of focus, "
        "or the point spread was found too narrow from small, faint or compressed particles. Then those under "
        "some two blurs across are too large, by a tenth up to several times, and their mass up to many times. "
        "Give spatter.psf_sigma_px where it is known"
    ),
    "liquid_alike": (
        "illuminated footage in which liquid and solid metal are about equally bright, or the outline has gone "
        "astray. pool_length_mm, pool_width_mm, pool_area_mm2, pool_front_mm, pool_rear_mm and their _cv may be "
        "wrong by 1 to 5 px, up to a third where the outline has gone astray. Light from another side, so that "
        "the liquid shows darker or brighter than the sheet, less blur and no lossy compression help"
    ),
    "keyhole_faint": (
        "the keyhole stands out of the pool by less than a third of the pool's brightness. Much of what is taken "
        "for its fluctuation is the pool's, and it may be a bright place of the pool instead. "
        "keyhole_brightness_cv may be off by half and more, mostly too small. A filter farther in the blue lifts "
        "the hotter keyhole out of the pool"
    ),
    "keyhole_unseen": (
        "no keyhole can be seen: the pool is blown out, or nothing stands out of it by a tenth of its brightness."
        " The beam's place is not known. So keyhole_brightness, keyhole_area_mm2, pool_front_mm, pool_rear_mm, "
        "pool_centre_x_mm, pool_centre_y_mm, first_x_mm and first_y_mm are empty. Lengths, widths and areas hold."
        " Expose shorter, or choose a filter farther in the blue, which lifts the hotter keyhole out of the pool"
    ),
    "keyhole_small": (
        "the keyhole's radius is less than three times the blur: light from around it dilutes its "
        "fluctuation, so keyhole_brightness_cv is too small"
    ),
    "no_steady_part": "no steady part was found; the whole clip was used",
    "too_short": "the clip is too short against the pool's slowest motion for its interval to be trusted",
    "index_partial": (
        "parts of the index are missing (see the other flags): do not compare it with an index of all parts"
    ),
    "noise_unknown": (
        "the signal is white throughout, so measurement noise and fluctuation cannot be separated: its _cv holds "
        "both"
    ),
    "view_tilted": (
        "the scale file's view is tilted: lengths, widths and areas are in the plane of the weld. Particles leave"
        " that plane: they are sized and timed with the scale across the tilt"
    ),
    "scale_other_size": (
        "the scale was made with pictures of another size than the clip's. That is right where the camera only "
        "cut out a part of the same picture: say so by --scale-crop. It is wrong where zoom, lens, binning or the"
        " file's size changed"
    ),
    "no_scale": "no scale was given: every column named in mm holds pixels; keep such rows apart from others",
    "spatter_not_sought": (
        "particles were not looked for, so every spatter cell is empty, which is not 0. run.json says why. "
        "The settings may turn it off (spatter_on), or leave it out in illuminated footage (spatter_in_illuminated). "
        "Or too few frames of the first look show the whole pool"
    ),
    "no_travel_speed": "no travel speed was given: nothing per length of weld",
    "no_exposure": ("no exposure was given: the streak of a fast particle cannot be separated from its size"),
    "no_material": "no material was given: no spatter mass",
    "gain_drift": "overall brightness drifts by more than 10 % over the clip",
    "flicker": "overall brightness flickers by more than 2 % from frame to frame",
    "depth_found": "the effective bit depth was found from the data, not given",
    "scale_disagrees": (
        "the metal does not move as scale, travel speed and record rate say, beyond its uncertainty: one of the "
        "three is wrong"
    ),
    "direction_disagrees": (
        "the metal, or the pool that crosses a standing camera's view, does not move along the given travel "
        "direction. Length and width are mixed up"
    ),
    "direction_found": "no travel direction was given: it was found from the motion in the clip",
    "pool_askew": (
        "the pool does not lie along the given travel direction or, where none was given, 0 (to the right). Its "
        "long axis is turned by more than 15 degrees, or the beam is in its rear half. Lengths, widths and "
        "directions of flight are then wrong: give --travel-direction (travel_direction_deg). It is right only "
        "where the pool itself is lopsided"
    ),
    "footage_disagrees": (
        "the settings say glowing or illuminated, and the pictures clearly show the other: the "
        "outline follows something else"
    ),
    "pool_small": (
        "fewer than 30 pixels across the pool. Edges known to some tenths of a pixel are 1 % of pool_width_mm and "
        "more, and pool_width_cv holds them"
    ),
}


# Flags that say what was not given, or how something was found, and cast no doubt on what is shown.
_NO_DOUBT = (
    "lossy_video",
    "view_tilted",
    "no_scale",
    "spatter_not_sought",
    "no_travel_speed",
    "no_exposure",
    "no_material",
    "depth_found",
    "direction_found",
)


def doubts(names: Sequence[str]) -> tuple[str, ...]:
    """Those flags that cast a doubt on a clip's figures: what a picture of it must show, too.

    Examples
    --------
    >>> doubts(["pool_cut_off", "no_material"])
    ('pool_cut_off',)
    """
    return tuple(name for name in names if name not in _NO_DOUBT)


# Flags of a photo of a weld; `poolwatch bead` prints the meaning of those it sets.
BEAD_FLAGS: dict[str, str] = {
    "bead_doubtful": (
        "the band that was taken for the bead shows weakly, or another looks nearly as much like one. Look at the "
        "picture; where it is wrong, name a place on the bead with --near X,Y, or limit its width with --widest"
    ),
    "bead_by_texture": (
        "the bead differs from the sheet by its roughness alone. Its mean width may be off by a few px and its "
        "edges by more. Light from the side, at a low angle, or a colour photo shows the edges better"
    ),
    "bead_edges_vague": (
        "tone and texture change so slowly across an edge of the bead that its mean width is sure to no better than "
        "half a px; bead_width_u_mm says how well. Light from the other side shows the edges better"
    ),
    "bead_edges_noisy": (
        "noise and the grain of the metal move the edges as much as their waviness does, so bead_edge_rms_mm is "
        "empty. Take the photo closer or sharper"
    ),
    "bead_small": "fewer than 20 px across the bead: edges limit the figures; take the photo closer",
    "bead_saturated": (
        "more than 5 % of the bead is at full scale: its edges look further out than they are, and ripples are "
        "lost. Expose shorter, or move the light"
    ),
    "bead_ripples_fine": (
        "the ripples are less than 6 px apart: finer ones would be missed; take the photo closer"
    ),
    "bead_leaves_picture": "the weld runs out of the picture: its ends were not seen",
    "bead_broken": "the weld is interrupted, or something covers part of it: look at the picture; "
    "the parts seen were judged",
    "bead_crater": "the weld looks different at an end, as a crater does: look at the picture; ends were left out",
    "bead_belt_cut": (
        "less than 90 % of the belt beside the bead in which particles are counted is in view and free: deposits "
        "are too few. Show more of the sheet, or compare photos with the same --belt"
    ),
    "bead_scale_other_size": (
        "the scale was made with pictures of another size than the photo: right only where the photo "
        "was cut out of the same "
        "picture"
    ),
    "bead_no_scale_uncertainty": "the scale was given without an uncertainty: the figures' own do not hold it",
}


def check_flags(names: set[str] | tuple[str, ...] | list[str]) -> tuple[str, ...]:
    """Sort flags into their documented order.

    Raises
    ------
    KeyError
        A name is not in the registry.
    """
    for name in names:
        if name not in FLAGS:
            raise KeyError(f"flag {name!r} is not in poolwatch.model.flags.FLAGS; add it with its meaning")
    return tuple(name for name in FLAGS if name in set(names))
