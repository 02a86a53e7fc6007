"""What the open data show to a plain count of their letters, and the package beside it where it tells the same number.

The counts use nothing of this package: tables are read as they were published, letters are compared and counted.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd
import pytest

MALES = {"Z002": "CML103", "Z006": "CML322", "Z008": "CML52", "Z010": "Hp301", "Z016": "M37W"}
"""Parents of the recombinant inbreds beside B73."""


def letters(path) -> pd.DataFrame:
    """A row per line, a letter per marker, missing where the file has a dash."""
    return pd.read_csv(path, index_col=0, dtype=str, na_values="-", keep_default_na=False)


def sister_pairs(calls: pd.DataFrame, kinds: Iterable[str]) -> pd.DataFrame:
    """Count calls in both and equal calls of every pair of rows; the most alike come first."""
    values = calls.to_numpy()
    is_called = calls.notna().to_numpy().astype(float)
    alike = sum((is_kind := (values == kind).astype(float)) @ is_kind.T for kind in kinds)
    one, other = np.triu_indices(len(calls), 1)
    pairs = pd.DataFrame(
        {
            "pair": [frozenset(pair) for pair in zip(calls.index[one], calls.index[other], strict=True)],
            "both": (is_called @ is_called.T)[one, other].astype(int),
            "equal": alike[one, other].astype(int),
        }
    ).set_index("pair")
    pairs["identity"] = pairs.equal / pairs.both.where(pairs.both > 0)
    return pairs.sort_values("identity", ascending=False)


def told_pairs(result) -> pd.DataFrame:
    """The pairs that the package calls one genotype."""
    rows = result.identity[result.identity.same_genotype == "yes"]
    names = [frozenset(pair) for pair in zip(rows["sample"], rows.other_sample, strict=True)]
    return rows.assign(pair=names).set_index("pair")


def assert_told_as_counted(result, pairs: pd.DataFrame) -> None:
    """Hold the package's agreements to the count."""
    told = told_pairs(result)
    assert len(told) > 0
    np.testing.assert_allclose(told.agreement, pairs.identity[told.index], atol=5e-7)
    assert (told.compared_markers == pairs.both[told.index]).all()


@pytest.fixture(scope="module")
def wheat_pairs(open_data) -> pd.DataFrame:
    return sister_pairs(letters(open_data / "wheat_mapDH_dh.csv.gz"), "AB")


@pytest.fixture(scope="module")
def steptoe_calls(shipped) -> pd.DataFrame:
    return letters(shipped / "barley_steptoe_morex_rflp_dh.csv.gz")


@pytest.fixture(scope="module")
def backcross_calls(open_data) -> pd.DataFrame:
    return letters(open_data / "barley_mapBCu_backcross.csv.gz")


@pytest.fixture(scope="module")
def backcross_pairs(backcross_calls) -> pd.DataFrame:
    return sister_pairs(backcross_calls, "AH")


@pytest.fixture(scope="module")
def ril_table(open_data) -> pd.DataFrame:
    return pd.read_csv(open_data / "maize_usnam_ril.csv.gz", index_col=0, dtype=str)


@pytest.fixture(scope="module")
def flint_is_het(open_data) -> pd.DataFrame:
    table = pd.read_csv(open_data / "maize_eunam_flint_100snp_dosage.csv.gz", index_col=0).drop(columns="cross")
    assert set(np.unique(table)) == {0, 1, 2}
    return table == 1


class TestMaizeCrosses:
    """378 maize DH lines of five crosses with F353, 1,937 SNPs.

    Giraud et al. 2014, Genetics 198:1717-1734; Bauer et al. 2013, Genome Biol 14:R103.
    """

    @pytest.mark.parametrize(
        ("male", "n_copies", "next_identity"),
        [("B73", 0, 0.789), ("D06", 1, 0.789), ("EC169", 1, 0.804), ("F252", 2, 0.821), ("Mo17", 0, 0.779)],
    )
    def test_next_pair_at_polymorphic_snps(self, maize, male, n_copies, next_identity):
        pairs = sister_pairs(maize.lines(male).loc[:, self._differs(maize, male)], "12")
        assert (pairs.identity == 1).sum() == n_copies
        assert pairs.identity.iloc[n_copies] == pytest.approx(next_identity, abs=0.0005)

    def test_agreement_is_told_at_polymorphic_snps(self, maize, maize_check):
        """Copies are exact; the package compares them at as many SNPs as can be counted, but the faulty ones."""
        told = told_pairs(maize_check)
        assert (told.agreement == 1).all()
        for male in maize.crosses:
            lines = maize.lines(male)
            within = told[[pair <= set(lines.index) for pair in told.index]]
            usable = self._differs(maize, male) & ~lines.columns.isin(self._unusable(maize_check))
            pairs = sister_pairs(lines.loc[:, usable], "12")
            assert within.compared_markers.tolist() == pairs.both[within.index].tolist()

    def test_over_all_snps_ordinary_sisters_look_like_near_copies(self, maize):
        """Sisters agree at 1 - P/2 on average (P = polymorphic share), the closest that are no copies at .91 to .93."""
        closest = {}
        for male in maize.crosses:
            identity = sister_pairs(maize.lines(male), "12").identity
            expected = 1 - self._differs(maize, male).mean() / 2
            assert identity.mean() == pytest.approx(expected, abs=0.01)
            closest[male] = round(identity[identity < 0.99].max(), 3)
        assert closest == {"B73": 0.913, "D06": 0.921, "EC169": 0.923, "F252": 0.930, "Mo17": 0.910}

    def test_calls_that_fit_neither_parent(self, maize):
        """39, all in F252: 13 and 26 lines at two SNPs, one SNP a line."""
        misfits = {male: self._misfits(maize.lines(male), maize, male) for male in maize.crosses}
        assert {male: misfit.sum().sum() for male, misfit in misfits.items()} == dict.fromkeys(misfits, 0) | {
            "F252": 39
        }
        by_snp = misfits["F252"].sum()
        assert by_snp[by_snp > 0].to_dict() == {"PZE.101232381": 13, "PZE.103123072": 26}
        assert misfits["F252"].sum(axis=1).max() == 1

    def test_lines_fit_their_own_cross_and_no_other(self, maize):
        """Own cross: at most .75 % of calls fit neither parent; every other cross: at least 2.5 %."""
        for own in maize.crosses:
            lines = maize.lines(own)
            n_called = lines.notna().sum(axis=1)
            for male in maize.crosses:
                misfit = self._misfits(lines, maize, male).sum(axis=1) / n_called
                if male == own:
                    assert misfit.max() <= 0.0075, f"{own}: {misfit.idxmax()} {misfit.max()}"
                else:
                    assert misfit.min() >= 0.025, f"{own} against {male}: {misfit.idxmin()} {misfit.min()}"

    def test_the_map_is_about_134_morgan(self, maize):
        place = pd.read_csv(maize.genetic_map)
        assert place.groupby("chr").cM.max().sum() == pytest.approx(1342, abs=1)

    def test_crossovers_of_a_line(self, maize):
        """14 to 18 on average in a cross, counted as changes of parent along the map."""
        means = {male: round(self._crossovers(maize, male).mean(), 1) for male in maize.crosses}
        assert means == {"B73": 16.2, "D06": 14.4, "EC169": 14.0, "F252": 17.6, "Mo17": 15.4}

    def _differs(self, maize, male) -> pd.Series:
        return maize.common.iloc[0] != maize.male(male).iloc[0]

    def _unusable(self, result) -> pd.Series:
        return result.markers.marker[result.markers.usable == "no"]

    def _misfits(self, lines, maize, male) -> pd.DataFrame:
        return lines.notna() & (lines != maize.common.iloc[0]) & (lines != maize.male(male).iloc[0])

    def _crossovers(self, maize, male) -> pd.Series:
        place = pd.read_csv(maize.genetic_map, index_col="marker")
        n_crossovers = 0
        for _, chromosome in place[self._differs(maize, male)].groupby("chr"):
            calls = maize.lines(male)[chromosome.sort_values("cM", kind="stable").index]
            is_common = (calls == maize.common.iloc[0][calls.columns]).astype(float).where(calls.notna())
            n_crossovers += (is_common.ffill(axis=1).diff(axis=1).abs() == 1).sum(axis=1)
        return n_crossovers


class TestWheat:
    """218 wheat DH lines, 599 markers: Taylor & Butler 2017, J Stat Softw 79(6):1-29."""

    def test_five_pairs_are_exact_and_the_next_agrees_at_766(self, wheat_pairs):
        assert (wheat_pairs.identity == 1).sum() == 5
        assert wheat_pairs.identity.iloc[5] == pytest.approx(0.766, abs=0.0005)

    def test_the_package_tells_the_same_agreement(self, wheat_pairs, wheat_check):
        assert_told_as_counted(wheat_check, wheat_pairs)


class TestSteptoeMorex:
    """150 barley DH lines, 223 RFLP markers: Hayes et al. 1993, Theor Appl Genet 87:392-401."""

    def test_one_near_copy_and_the_next_pair_at_829(self, steptoe_calls):
        pairs = sister_pairs(steptoe_calls, "AB")
        assert pairs.index[0] == frozenset({"SM160", "SM161"})
        assert (pairs.both.iloc[0], pairs.equal.iloc[0]) == (200, 198)
        assert pairs.identity.iloc[1] == pytest.approx(0.829, abs=0.0006)

    def test_the_two_differ_at_two_markers(self, steptoe_calls):
        one, other = steptoe_calls.loc["SM160"], steptoe_calls.loc["SM161"]
        differs = one.notna() & other.notna() & (one != other)
        assert set(steptoe_calls.columns[differs]) == {"dRcs1", "ABC322B"}

    def test_the_package_tells_the_same_agreement(self, steptoe_calls, steptoe_morex_check):
        assert_told_as_counted(steptoe_morex_check, sister_pairs(steptoe_calls, "AB"))


class TestBackcross:
    """326 barley BC1 plants, 3,023 markers, A or H: Taylor & Butler 2017, J Stat Softw 79(6):1-29."""

    def test_missing_calls(self, backcross_calls):
        missing = backcross_calls.isna().mean(axis=1)
        assert missing.idxmax() == "BC280"
        assert missing.max() == pytest.approx(0.997, abs=0.0005)
        assert (missing > 0.2).sum() == 15

    def test_the_package_tells_the_same_heterozygosity_and_call_rate(self, backcross_calls, backcross_check):
        lines = backcross_check.lines.set_index("sample").loc[backcross_calls.index]
        counted = (backcross_calls == "H").sum(axis=1) / backcross_calls.notna().sum(axis=1)
        assert counted.mean() == pytest.approx(0.469, abs=0.0005)
        np.testing.assert_allclose(lines.heterozygosity, counted, atol=5e-7)
        np.testing.assert_allclose(lines.call_rate, backcross_calls.notna().mean(axis=1), atol=5e-7)

    def test_one_published_pair_differs_at_one_marker(self, backcross_pairs, backcross_check):
        pair = frozenset({"BC141", "BC147"})
        assert (backcross_pairs.both[pair], backcross_pairs.equal[pair]) == (2754, 2753)
        assert backcross_pairs.identity[pair] == pytest.approx(0.9996, abs=0.00005)
        assert told_pairs(backcross_check).agreement[pair] == pytest.approx(0.9996, abs=0.00005)

    def test_the_package_tells_the_same_agreement(self, backcross_pairs, backcross_check):
        assert_told_as_counted(backcross_check, backcross_pairs)

    def test_bc045_is_near_the_first_group_on_half_the_markers(self, backcross_pairs, backcross_check):
        """The authors leave it out: 42.5 % of its calls are missing."""
        near = backcross_pairs.loc[[frozenset({"BC045", name}) for name in ("BC039", "BC052", "BC168")]]
        assert near.both.tolist() == [1478, 1491, 1641]
        assert near.identity.round(3).tolist() == [0.992, 0.990, 0.987]
        assert not any("BC045" in pair for pair in told_pairs(backcross_check).index)

    def test_the_next_pair_without_bc045_is_far_below(self, backcross_calls):
        """Samples with 1,600 or more missing calls dropped, as the authors do."""
        kept = backcross_calls[backcross_calls.isna().sum(axis=1) < 1600].drop(index="BC045")
        identity = sister_pairs(kept, "AH").identity
        assert (identity >= 0.95).sum() == 15
        assert identity.iloc[15] == pytest.approx(0.9255, abs=0.0001)


class TestRecombinantInbreds:
    """500 maize recombinant inbreds of five crosses with B73, 102 SNPs: McMullen et al. 2009, Science 325:737-740."""

    @pytest.mark.parametrize(
        ("cross", "n_snps", "pooled"),
        [("Z002", 73, 0.0352), ("Z006", 63, 0.0240), ("Z008", 81, 0.0367), ("Z010", 74, 0.0307), ("Z016", 69, 0.0386)],
    )
    def test_pooled_heterozygosity_of_a_cross(self, ril_table, cross, n_snps, pooled):
        calls = self._polymorphic(ril_table, cross)
        assert calls.shape == (100, n_snps)
        assert self._is_het(calls).sum().sum() / calls.notna().sum().sum() == pytest.approx(pooled, abs=0.00005)

    @pytest.mark.parametrize("cross", MALES)
    def test_the_package_tells_the_same_heterozygosity(self, ril_table, ril_check, cross):
        """Over all SNPs that are not set aside."""
        unusable = ril_check.markers.marker[ril_check.markers.usable == "no"]
        calls = ril_table[ril_table.index.str.startswith(cross)].drop(columns=unusable)
        counted = self._is_het(calls).sum(axis=1) / calls.notna().sum(axis=1)
        found = ril_check.lines.set_index("sample").heterozygosity[calls.index]
        np.testing.assert_allclose(found, counted, atol=5e-7)

    def test_exactly_two_calls_fit_neither_parent(self, ril_table):
        misfits = [misfit for cross in MALES for misfit in self._misfits(ril_table, cross)]
        assert len(misfits) == 2, misfits
        assert {snp for _, snp in misfits} == {"L00165"}

    def test_ordinary_sisters_reach_958(self, ril_table):
        best = {}
        for cross in MALES:
            calls = self._polymorphic(ril_table, cross)
            best[cross] = sister_pairs(calls, set(calls.to_numpy()[calls.notna()])).iloc[0]
        assert {cross: round(pair.identity, 3) for cross, pair in best.items()} == {
            "Z002": 0.958,
            "Z006": 0.871,
            "Z008": 0.910,
            "Z010": 0.914,
            "Z016": 0.905,
        }
        assert best["Z002"].both == 71

    def _polymorphic(self, table, cross) -> pd.DataFrame:
        common, male = table.loc["B73"], table.loc[MALES[cross]]
        is_fixed = (common.str[0] == common.str[1]) & (male.str[0] == male.str[1])
        return table.loc[table.index.str.startswith(cross), is_fixed & (common != male)]

    def _is_het(self, calls) -> pd.DataFrame:
        return calls.apply(lambda column: column.notna() & (column.str[0] != column.str[1]))

    def _misfits(self, table, cross) -> list[tuple[str, str]]:
        """Calls with a letter that neither typed parent has."""
        parents, lines = table.loc[["B73", MALES[cross]]], table[table.index.str.startswith(cross)]
        typed = parents.columns[parents.notna().all()]
        return [
            (name, snp)
            for snp in typed
            for name, call in lines[snp].dropna().items()
            if not set(call) <= set(parents[snp].str.cat())
        ]


class TestFlint:
    """483 maize DH lines of five crosses with UH007 at 100 SNPs.

    Bauer et al. 2013, Genome Biol 14:R103; Lehermeier et al. 2014, Genetics 198:3-16; Giraud et al. 2014, Genetics
    198:1717-1734.
    """

    FAULTY = {"PZE.105024579": 15, "PZE.105047218": 15, "PZE.106033543": 11}  # noqa: RUF012 -- read only

    def test_het_calls(self, flint_is_het):
        assert flint_is_het.shape == (483, 100)
        assert flint_is_het.sum().sum() == 79
        assert round(100 * flint_is_het.mean(axis=None), 2) == 0.16

    def test_het_calls_of_the_lines(self, flint_is_het):
        per_line = flint_is_het.sum(axis=1)
        assert per_line.value_counts().to_dict() == {0: 417, 1: 56, 2: 9, 5: 1}
        assert per_line.idxmax() == "CFF03-074"

    def test_three_snps_carry_half_of_them(self, flint_is_het):
        per_snp = flint_is_het.sum()
        assert per_snp[per_snp > 5].to_dict() == self.FAULTY

    def test_the_package_tells_the_same_heterozygosity(self, flint_is_het, flint_check):
        """Over the 97 SNPs that are not set aside."""
        found = flint_check.lines.set_index("sample").heterozygosity[flint_is_het.index]
        np.testing.assert_allclose(found, flint_is_het.drop(columns=list(self.FAULTY)).mean(axis=1), atol=5e-7)


class TestMouse:
    """120 F2 mice, 131 markers: Boyartchuk et al. 2001, Nat Genet 27:259-260."""

    def test_genotype_shares(self, open_data):
        """Nearly 1:2:1."""
        shares = letters(open_data / "mouse_listeria_f2.csv.gz").melt().value.value_counts(normalize=True)
        assert shares.round(2).to_dict() == {"A": 0.26, "H": 0.49, "B": 0.25}

    def test_the_package_tells_the_same_heterozygosity(self, open_data, mouse_check):
        calls = letters(open_data / "mouse_listeria_f2.csv.gz")
        unusable = mouse_check.markers.marker[mouse_check.markers.usable == "no"]
        calls = calls.drop(columns=unusable)
        found = mouse_check.lines.assign(sample=mouse_check.lines["sample"].astype(str)).set_index("sample")
        counted = (calls == "H").sum(axis=1) / calls.notna().sum(axis=1)
        np.testing.assert_allclose(found.heterozygosity[calls.index.astype(str)], counted, atol=5e-7)
