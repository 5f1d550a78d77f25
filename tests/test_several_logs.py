"""More than one log in a job, invented: drives of different days brought to one air and fuel, and the banks of twins."""

from __future__ import annotations

import numpy as np
import pytest
from conftest import found, make_setup

import needlecalc as nc
from needlecalc.__main__ import main
from needlecalc.design.inverse.notes import DesignRemark
from needlecalc.report import say

AIR = "air = { pressure_kpa = 100.5, temperature_degc = 12.0 }\n"
FUEL = "fuel = { ethanol_percent = 10.0, temperature_degc = 40.0 }\n"


def with_other(case, factor=1.0, more="", first=""):
    """The demo's job with a further log, lambda of the same drive times a factor."""
    drive = case.parent / "pass_van_drive.csv"
    head, *rows = drive.read_text(encoding="utf-8").splitlines()
    place = head.split(";").index("lambda")
    out = []
    for row in rows:
        cells = row.split(";")
        cells[place] = f"{float(cells[place].replace(',', '.')) * factor:.4f}".replace(".", ",")
        out.append(";".join(cells))
    (case.parent / "other.csv").write_text("\n".join([head, *out]) + "\n", encoding="utf-8")
    text = case.read_text().replace("[bands]", f'{first}[[log.others]]\nfile = "other.csv"\n{more}\n[bands]', 1)
    case.write_text(text)
    return nc.read_job(case)


def test_another_days_drive_is_brought_to_the_jobs_air_and_merged(case):
    plain = nc.read_job(case)
    alone = plain.bands(plain.read_log())
    day, here = nc.Air(100500.0, 12.0), plain.setup.air
    # In denser air the same needle runs leaner by the root of the density (and of the dry share).
    root = np.sqrt(day.density_kg_m3() / here.density_kg_m3())
    assert root > 1.02
    # Water over dry air here, 50 % at 18 degC and 950 hPa: 0.622 * 1032 / (95000 - 1032) (steam table 2064 Pa, from memory).
    dry = 1.0 + 0.622 * 1032.0 / (95000.0 - 1032.0)
    job = with_other(case, root * dry, AIR)
    both = job.bands(job.read_log())
    (other,) = job.other_drives
    np.testing.assert_allclose(other.brought.air * root * dry, 1.0, atol=1e-3)
    np.testing.assert_allclose(both.lambda_measured, alone.lambda_measured, rtol=1e-3)
    np.testing.assert_array_equal(both.count, 2 * alone.count)
    assert job.design().met


def test_every_factor_is_shown_and_the_fuel_counts_too(case, capsys):
    job = with_other(case, more=AIR + FUEL)
    (other,) = job.other_drives
    # By hand: the fuels' air to fuel ratios over one another.
    assert other.brought.stoichiometry[0] == pytest.approx(nc.Fuel(10.0, 40.0).afr() / job.setup.fuel.afr())
    assert main(["check", str(case)]) == 0
    printed = " ".join(capsys.readouterr().out.split())
    assert "Log other.csv" in printed
    assert "band air stoichiometry fuel density viscosity total" in printed
    assert "from Fuel with 10 % ethanol at 40 degC" in printed
    assert "2 drives merged" in printed


def test_a_refusal_names_fuel_as_well_as_air():
    setup, later = make_setup(), make_setup()
    later = nc.Setup(later.engine, later.carburettor, nc.Fuel(10.0, 40.0), nc.Air(9e4), later.name)
    first, second = (nc.typed_bands([2000.0], [1.0], lift_mm=[8.0]).having(setup=one) for one in (setup, later))
    with pytest.raises(nc.InputError, match=r"air of .* apart; .*% ethanol; .*fuel at .* K apart\. Bring them"):
        nc.measure.merge_bands(first, second)


def test_two_banks_with_a_sensor_each_get_one_profile_and_the_mismatch_is_said(case):
    text = case.read_text().replace("carburettors = 1", "carburettors = 2").replace("[log]", '[log]\nbank = "left"')
    case.write_text(text)
    job = with_other(case, 1.02, 'bank = "right"\n')
    bands = job.bands(job.read_log())
    assert set(bands.bank) == {"left", "right"}
    assert len(bands.across()) == bands.rpm.size // 2
    design = nc.solve(job.target(bands), job.setup)
    (told,) = found(design, DesignRemark.BANKS_SERVED)
    assert told.numbers["apart"] == pytest.approx(2.0, abs=0.2)
    assert "2.0 % lambda leaner than" in say.remark(told)
    assert not found(design, DesignRemark.ONE_SENSOR)
    checks = job.checks(bands)
    assert checks.named("twin mixture").verdict == "green"
    # One bank's own sheet.
    case.write_text(case.read_text().replace("[bands]", '[bands]\nonly_bank = "right"', 1))
    own = nc.read_job(case)
    right = own.bands(own.read_log())
    assert set(right.bank) == {"right"}
    np.testing.assert_allclose(right.lambda_measured, bands.lambda_measured[bands.rpm.size // 2 :])
    case.write_text(case.read_text().replace('only_bank = "right"', 'only_bank = "rihgt"'))
    misspelt = nc.read_job(case)
    log = misspelt.read_log()
    with pytest.raises(nc.InputError, match="the banks are: left, right"):
        misspelt.bands(log)


def typed(right, bank=("left", "left", "right", "right"), carburettors=2):
    bands = nc.typed_bands(
        [2000, 3000, 2010, 3010], [1.02, 1.05, *right], lift_mm=[8, 14, 8, 14], load=["light", "full"] * 2, bank=bank
    )
    setup = make_setup()
    engine = nc.Engine(1500.0, 4, carburettors=carburettors)
    return bands, nc.Setup(engine, setup.carburettor, name="twins (invented)")


def test_a_bank_far_off_is_named_before_anything_is_filed():
    bands, setup = typed([1.02, 1.13])
    check = nc.check_engine(bands, setup=setup).named("twin mixture")
    assert check.verdict == "red"
    assert check.words().found == "0.08 apart"
    assert "Bank right is leanest: look for its leak first" in check.words().todo
    # A reading of each carburettor at idle goes before.
    read = nc.check_engine(bands, setup=setup, twins=nc.checks.Twins(lambda_each=[0.95, 0.96])).named("twin mixture")
    assert read.verdict == "green"
    # On one lift the richer wins, and what that leaves the other is said.
    design = nc.solve(nc.make_target(bands, permitted_either_side=0.02), setup)
    (told,) = found(design, DesignRemark.BANKS_APART)
    assert "3010 rpm full right is 7.6 % lambda leaner than 3000 rpm full left" in say.remark(told)
    assert abs(told.numbers["second"]) < 2.0
    assert told.numbers["first"] < -5.0


def test_one_sensor_cannot_see_a_bad_pair_and_the_sheet_says_so():
    bands, setup = typed([1.02, 1.05], bank=None)
    design = nc.solve(nc.make_target(bands), setup)
    text = " ".join(nc.grind_sheet(design).text().split())
    assert (
        "One sensor for 2 carburettors shows the mean of them. It cannot see that one runs rich and the other lean" in text
    )
    one, single = typed([1.02, 1.05], bank=None, carburettors=1)
    assert not found(nc.solve(nc.make_target(one), single), DesignRemark.ONE_SENSOR)


def test_the_match_tolerance_is_the_users(tmp_path):
    setup = make_setup()
    twins = nc.Setup(nc.Engine(1500.0, 4, carburettors=2), setup.carburettor)
    bands = nc.typed_bands([2000, 3000], [1.05, 1.08], lift_mm=[8, 14], load=["light", "full"])
    design = nc.solve(nc.make_target(bands), twins, limits=nc.Limits(match_um=6.0))
    (told,) = found(design, DesignRemark.SEVERAL_CARBURETTORS)
    assert "before all agree within 6 um at every station" in say.remark(told)
    with pytest.raises(nc.InputError, match="match_um is 0"):
        nc.Limits(match_um=0.0)


@pytest.mark.parametrize("bank", ["left", ["left"], [1, 2, 3, 4]])
def test_banks_are_named_one_for_each_band(bank):
    with pytest.raises(nc.InputError, match=r"bank is .*, but must be a list of 4 names"):
        typed([1.0, 1.0], bank=bank)


def test_logs_without_a_bank_beside_one_with_are_refused(case):
    job = with_other(case, 1.0, 'bank = "right"\n')
    log = job.read_log()
    with pytest.raises(nc.InputError, match="name the bank of every log, and two banks at most"):
        job.bands(log)


def test_a_new_job_from_a_log_shows_where_another_goes(case, tmp_path, capsys):
    folder = tmp_path / "car"
    assert main(["new", str(folder), "--log", str(case.parent / "pass_van_drive.csv")]) == 0
    text = (folder / "job.toml").read_text()
    assert '# [[log.others]]\n# file = "another_drive.csv"\n' in text
    capsys.readouterr()
    assert main(["keys", "log.others"]) == 0
    printed = capsys.readouterr().out
    assert "[log.others.air]" in printed
    assert "Air of that day" in printed


@pytest.mark.parametrize(
    ("others", "words"),
    [
        ("[[log.others]]", r"\[log\.others\] names no file; write file = \"drive\.csv\""),
        ("[log]\nothers = 3", r"\[log\] others is 3, but must be a list of sections; write \[\[log\.others\]\]"),
    ],
)
def test_a_further_drive_without_a_file_is_refused(case, others, words):
    case.write_text(case.read_text().replace("[log]", others if "others =" in others else f"{others}\n[log]", 1))
    with pytest.raises(nc.InputError, match=words):
        nc.read_job(case).other_drives  # noqa: B018
