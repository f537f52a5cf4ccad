from swardwright.domain.poses import BasePose


def test_the_way_to_a_stop_leads_round_a_keep_out_from_anywhere() -> None:
    import shapely

    from swardwright.planning.ground import FreeGround
    from swardwright.planning.route import way_to

    wall = shapely.box(-1, -1, 1, 1)
    ground = FreeGround(shapely.box(-5, -5, 5, 5).difference(wall), (-3.0, 0.0), False)
    here, target = BasePose(-3.0, 0.1, 0.0), BasePose(3.0, 0.1, 0.5)
    way = way_to(ground, here, target)
    line = shapely.LineString([(here.x_m, here.y_m), *((p.x_m, p.y_m) for p in way)])
    assert way[-1] == target
    assert not line.crosses(wall)
    # by hand: over the wall's corners (-1, 1) and (1, 1)
    assert abs(line.length - (2 * (2**2 + 0.9**2) ** 0.5 + 2)) < 1e-6
    just_off = way_to(ground, BasePose(0.9, 0.0, 0.0), target)
    assert len(just_off) >= 1
    assert just_off[-1] == target
