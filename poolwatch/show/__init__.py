"""Everything seen, from results alone: overlay, side by side, stills, report. Decides nothing.

=====================  ==========================================================================
`result.ClipResult`    what a drawing needs of one measured clip
`overlay`              the annotated video; `segments` chooses its frames, `painters` draw one thing each
`sidebyside`           several clips in one video
`stills`               one function a figure; `stills.write` writes them all as PNG and SVG
`report`               the page for one clip or for a trial
=====================  ==========================================================================

A new thing to draw over frames is a new painter: a frozen dataclass with `still` and `draw(canvas, frame)`, a name
in `segments.Layer`, and a line in `overlay.OverlayPainter`.
"""
