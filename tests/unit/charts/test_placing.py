"""Labels of points hide neither each other nor a point, as far as there is room."""

from __future__ import annotations

from itertools import combinations

from coilbench_service.charts.placing import HIGH, WIDE, label_places

WIDTH, HEIGHT = 260.0, 190.0


def test_labels_of_points_that_lie_close_together_stay_apart_and_in_the_panel() -> None:
    points = [(100.0, 90.0), (103.0, 92.0), (101.0, 95.0), (240.0, 14.0), (237.0, 16.0), (20.0, 175.0)]
    places = label_places(points, WIDTH, HEIGHT)
    for one, other in combinations(places, 2):
        assert abs(one[0] - other[0]) >= WIDE or abs(one[1] - other[1]) >= HIGH
    for spot in places:
        assert 0 <= spot[0] - WIDE / 2 <= spot[0] + WIDE / 2 <= WIDTH
        assert 0 <= spot[1] - HIGH / 2 <= spot[1] + HIGH / 2 <= HEIGHT
        assert not [one for one in points if abs(spot[0] - one[0]) < WIDE / 2 and abs(spot[1] - one[1]) < HIGH / 2]
