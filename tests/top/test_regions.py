"""Connected regions, against OpenCV's own count with statistics."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from pooleye.top.regions import regions


@pytest.mark.parametrize("connectivity", [4, 8])
def test_areas_and_regions_are_those_of_opencv(connectivity):
    mask = cv2.GaussianBlur(np.random.default_rng(3).normal(size=(90, 120)), (0, 0), 2.0) > 0.1
    labels, areas = regions(mask, connectivity)
    count, _, stats, _ = cv2.connectedComponentsWithStats(mask.view(np.uint8), connectivity=connectivity)
    assert len(areas) == count > 10
    assert sorted(areas[1:]) == sorted(stats[1:, cv2.CC_STAT_AREA])
    assert areas[0] == 0
    assert np.array_equal(labels > 0, mask)
    assert all(cv2.connectedComponents((labels == k).astype(np.uint8), None, connectivity)[0] == 2 for k in range(1, 9))


def test_a_map_without_any_region_has_none():
    labels, areas = regions(np.zeros((20, 30), bool))
    assert not labels.any()
    assert not areas.any()
