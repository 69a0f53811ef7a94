"""A study: its folder, its register and its layers, and the steps of the job from files to map."""

from __future__ import annotations

import datetime as dt
import json
import math
import platform
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from densite import settings
from densite.animalterms import KINDS
from densite.deliveries import Delivery, Tick, deliver
from densite.errors import LayerError, MapError, Problem, RegisterError
from densite.exports.origin import handed_in
from densite.intake.rawrow import RawRow
from densite.intake.screening import Rectangle
from densite.register import Register, open_register
from densite.register.databaseurl import target_of
from densite.register.journal import last_entry
from densite.register.store import column_name
from densite.settings import FILE_NAME, Settings
from densite.terms import DEN_TERMS, DEN_TYPES, DERIVED_TERMS, KEPT_TERMS, Term

# What only some steps need is imported by them: with pandas, scipy and rasterio `densite log` would take seconds.
if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

    from densite import covariates, cover, gradient
    from densite.births import BirthTable
    from densite.calibration import Calibration
    from densite.compare.comparison import Comparison
    from densite.compare.question import Question
    from densite.corrections import Correction
    from densite.cubs import LitterBirths
    from densite.growth import Growth
    from densite.history import Story
    from densite.layers import Features, Raster
    from densite.litters import LitterTable
    from densite.protocol import Protocol
    from densite.review import Review
    from densite.tables import DenTypeTable
    from densite.visits import VisitRef
    from densite.withdrawals import Withdrawal

_SEEN = ("den_id", "female", "observed_on")  # of visits, what the frame of dens shows
_NOT_DERIVED = "no landscape class at any den yet: run `densite derive` first"


class Study:
    """An open study folder. Use it as a context manager, or close it."""

    def __init__(self, folder: Path, chosen: Settings, register: Register) -> None:
        self.folder = folder
        self.settings = chosen
        self.register = register
        self._classes: Sequence[str] = ()  # as they were, in a study put back to an earlier time

    def __repr__(self) -> str:
        """Say which study it is and how many dens and visits it has."""
        counts = self.register.counts()
        return f"Study({self.settings.study.name!r}, dens {counts['den']}, visits {counts['visit']}, {self.folder})"

    def __enter__(self) -> Study:
        """Return itself."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close the register."""
        self.close()

    def close(self) -> None:
        """Let go of the register's file."""
        self.register.close()

    @property
    def out(self) -> Path:
        """Folder for everything that densite writes beside the register."""
        return self.folder / "out"

    @property
    def zone(self) -> ZoneInfo:
        """The study's time zone."""
        return ZoneInfo(self.settings.study.time_zone)

    @cached_property
    def layers(self) -> dict[str, Raster | Features]:
        """All layers that study.toml names, opened and checked."""
        from densite.layers import open_layers

        return open_layers(self.settings, folder=self.folder)

    @cached_property
    def area(self) -> Any | None:
        """The study boundary in WGS 84, prepared; where study.toml names none, where its CRS is used."""
        import shapely

        found = self._screened
        area = shapely.box(*found) if isinstance(found, Rectangle) else found
        shapely.prepare(area)
        return area

    @cached_property
    def _screened(self) -> Any | Rectangle | None:
        """The area as rows are held against it: its shape only where there is a boundary."""
        chosen = self.settings.layers.get("boundary")
        if chosen is None:
            from pyproj import CRS

            used = CRS.from_user_input(self.settings.study.crs).area_of_use
            return None if used is None or used.west > used.east else Rectangle(*used.bounds)
        import shapely

        from densite.layers import open_features

        frame = open_features("boundary", chosen, folder=self.folder).frame
        area = shapely.union_all(frame.to_crs(4326).geometry.to_numpy())
        shapely.prepare(area)
        return area

    @property
    def dens(self) -> gpd.GeoDataFrame:
        """Den sites as recorded, in EPSG:4326."""
        return self.register.dens()

    @property
    def visits(self) -> pd.DataFrame:
        """Visits, joined to dens by den_id, with what was recorded of mother and cubs on each."""
        from densite.visits import with_animals

        kinds = ("handling", "reading", "cub", "sample", "check")
        return with_animals(self.register.visits(), {kind: self.records(kind) for kind in kinds})

    @property
    def frame(self) -> gpd.GeoDataFrame:
        """Den sites with their first known female, first winter and all derived values, in EPSG:4326."""
        return _joined(self.dens, self.register.visits(only=_SEEN), self.register.derived())

    def records(self, kind: str, *, every: bool = False) -> pd.DataFrame:
        """Return the records of one kind of the animals' side.

        Parameters
        ----------
        kind : str
            animal, mark, handling, drug, reading, cub, check, sample, custody, result or permit.
        every : bool
            Also what was corrected or withdrawn.

        Returns
        -------
        DataFrame
            Indexed by record_id, as :func:`densite.animals.frame_of` makes it.

        Raises
        ------
        RegisterError
            There is no such kind, or the register cannot be read.
        """
        if kind not in KINDS:
            raise RegisterError(f"kind of record '{kind}'; allowed: {', '.join(KINDS)}")
        return self.register.records(kind, every=every)

    @cached_property
    def calibration(self) -> Calibration | None:
        """The calibration of cub ages that study.toml names; None where its file is not there yet."""
        from densite.calibration import read

        path = self.folder / self.settings.animals.calibration
        return read(path) if path.is_file() else None

    @cached_property
    def protocol(self) -> Protocol | None:
        """The protocol of vitals that study.toml names, signed or not; None where its file is not there."""
        from densite.protocol import load

        return load(self.folder / self.settings.animals.protocol)

    @property
    def births(self) -> LitterBirths:
        """Birth dates of litters, known or estimated by the calibration, one row a litter on a visit."""
        from densite.cubs import litter_births

        return litter_births(self.records("cub"), self.calibration)

    def visit(self, text: str) -> VisitRef:
        """Find a visit by what people call it.

        Parameters
        ----------
        text : str
            ``D-2026-14`` for the last visit to a den, or ``D-2026-14/2026-02-24``.

        Returns
        -------
        VisitRef

        Raises
        ------
        RegisterError
            No such den or visit; the message lists what there is.
        """
        from densite.visits import find_visit

        return find_visit(text, self.dens, self.register.visits())

    def intake(
        self,
        files: str | Path | Iterable[str | Path],
        *,
        records: str | None = None,
        dry_run: bool = False,
        tick: Tick = lambda _: None,
    ) -> list[Delivery]:
        """Take crew files into the register.

        Parameters
        ----------
        files : path or iterable of path
            Crew files, or folders and zip archives of them: tables (CSV, XLSX) of den visits or of the animals'
            records, told by their headings; GeoJSON, GPX, KML, GeoPackage and shapefiles of den visits; field files.
        records : str, optional
            The kind of record that the files hold, where their headings do not tell: ``den``, or as for
            :meth:`records`.
        dry_run : bool
            Say what would happen and change nothing.
        tick : callable
            Called with the number of rows done since the last call.

        Returns
        -------
        list of Delivery
            One for each part of a file: counts, problems, and where held-back rows were written. A part that
            could not be read, of a file that holds several, says why under ``failed``.

        Raises
        ------
        IntakeError, RegisterError, LayerError
            A file cannot be read, the register cannot be written, the boundary cannot be opened.
        """
        chosen = [files] if isinstance(files, str | Path) else files
        made = [d for file in chosen for d in self.hand_in(file, records=records, dry_run=dry_run, tick=tick)]
        self.look_beside(made)
        return made

    def hand_in(
        self, file: str | Path, *, records: str | None = None, dry_run: bool = False, tick: Tick = lambda _: None
    ) -> list[Delivery]:
        """Take one crew file, folder or archive into the register, each row looked at by itself.

        Parameters
        ----------
        file : path
            As for :meth:`intake`, which also looks at the new records beside all others.
        records, dry_run, tick
            As for :meth:`intake`.

        Returns
        -------
        list of Delivery
            One for each part: a file may hold several kinds of record, a folder several files.

        Raises
        ------
        IntakeError, RegisterError, LayerError
            As for :meth:`intake`.
        """
        from densite.handovers import hand_in_all

        return hand_in_all(
            handed_in(Path(file)), register=self.register, settings=self.settings, out=self.out,
            photographs=self.folder / "photos", area=self._screened, records=records, dry_run=dry_run, tick=tick,
        )  # fmt: skip

    def look_beside(self, deliveries: Iterable[Delivery]) -> None:
        """Add to deliveries what their animals' records show only beside others: all files are in first.

        Parameters
        ----------
        deliveries : iterable of Delivery
            From :meth:`hand_in`; their problems are added to.
        """
        fresh = [delivery for delivery in deliveries if delivery.records and not delivery.dry_run]
        from densite.questions import about_animals

        found = about_animals(self) if fresh else []
        for delivery in fresh:
            told = {(p.line, p.field) for p in delivery.problems}
            mine = (p for p in found if p.file == delivery.file and (p.line, p.field) not in told)
            delivery.problems.extend(mine)

    def log(self, values: dict[str, str], *, dry_run: bool = False) -> Delivery:
        """Record one den visit that was typed in.

        Parameters
        ----------
        values : dict of str to str
            Text under the names that `densite columns` lists.
        dry_run : bool
            Only say what is wrong or doubtful.

        Returns
        -------
        Delivery
            With its problems; nothing is recorded where a row was held back.

        Raises
        ------
        RegisterError, LayerError
            The register cannot be written, or the boundary cannot be opened.
        """
        row = RawRow("typed in", 0, values, values)
        return deliver([row], "typed in", register=self.register, settings=self.settings, area=self._screened,
                       dry_run=dry_run)  # fmt: skip

    def derive(self, *, step: Callable[[str], None] = lambda _: None) -> gpd.GeoDataFrame:
        """Derive terrain, cover, distances and landscape class at every den and store them.

        Parameters
        ----------
        step : callable
            Called with the name of each step when it is done.

        Returns
        -------
        GeoDataFrame
            As :attr:`frame`, in EPSG:4326.

        Raises
        ------
        LayerError, SettingsError
            Layers or choices in study.toml do not fit.
        RegisterError
            There are no dens, or the register cannot be written.
        """
        from densite.covariates import covariates

        with self.register.reading() as connection:
            until = last_entry(connection)  # before the dens are read: what comes later is told as changed since
        dens = self.dens
        if dens.empty:
            raise RegisterError("the register holds no dens: take in crew files first (`densite intake FILES`)")
        if not self.settings.layers:
            raise LayerError(f"{self.folder / FILE_NAME} names no layers: fill in [layers.elevation] and others")
        found = covariates(dens, settings=self.settings, layers=self.layers, folder=self.folder, step=step)
        self.register.replace_derived(found.values, found.reasons, found.sources, read_until=until)
        self._write_manifest(found)
        return self.frame

    def covariates_at(self, points: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
        """Derive the same values at any points, without storing them.

        Parameters
        ----------
        points : GeoDataFrame
            Points in any CRS.

        Returns
        -------
        GeoDataFrame
            The points in EPSG:4326 with a column for each value, as :meth:`derive` gives at dens.

        Raises
        ------
        LayerError
            The points have no CRS, or layers or choices in study.toml do not fit.
        """
        from densite.covariates import covariates

        if points.crs is None:
            raise LayerError("the points have no CRS: say which with points.set_crs(...)")
        placed = points.to_crs(4326)
        found = covariates(placed, settings=self.settings, layers=self.layers, folder=self.folder)
        return placed.join(found.values)

    def _write_manifest(self, found: covariates.Covariates) -> None:
        """Write down with what the values were derived, so that they can be derived again."""
        from importlib.metadata import version

        self.out.mkdir(mode=0o700, exist_ok=True)  # exact places
        used = {
            name: {"path": self.settings.layers[name].path, "fingerprint": layer.fingerprint}
            for name, layer in self.layers.items()
        }
        manifest = {
            "derived_at": dt.datetime.now(dt.UTC).isoformat(timespec="seconds"),
            "study": self.settings.study.name,
            "densite": version("densite"),
            "python": platform.python_version(),
            "dens": len(found.values),
            "covariates": len(found.sources),
            "layers": used,
            "settings": self.settings.model_dump(mode="json", by_alias=True),
        }
        path = self.out / "manifest.json"
        scratch = path.with_suffix(".part")
        scratch.write_text(json.dumps(manifest, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")
        scratch.replace(path)

    def table(self) -> DenTypeTable:
        """Return the table of den-type frequencies by landscape class.

        Returns
        -------
        DenTypeTable
            One den counts once, under the first female recorded in it.

        Raises
        ------
        RegisterError
            Nothing was derived yet.
        """
        import pandas as pd

        from densite.tables import den_type_table

        dens, visits = self.register.dens(only=("den_type",)), self.register.visits(only=("den_id", "female"))
        derived = self.register.derived(only=("landscape_class", "class_certain"))
        frame = dens.assign(female=_first_females(visits).reindex(dens.index)).join(derived)
        if "landscape_class" not in frame:
            raise RegisterError(_NOT_DERIVED)
        definition = self._derived_definition()
        classes = self.class_names()
        reasons = self.register.reasons()
        why = reasons.loc[reasons["covariate"] == "landscape_class"].set_index("den_id")["reason"]
        frame = frame.assign(
            reason=why.reindex(frame.index, fill_value="not derived yet: run `densite derive`").fillna(""),
            class_certain=frame["class_certain"].map({1.0: True, 0.0: False}),
        )
        return den_type_table(
            pd.DataFrame(frame.drop(columns="geometry")),
            definition=definition,
            types=DEN_TYPES,
            classes=classes,
        )

    def _classed(self) -> gpd.GeoDataFrame:
        """Return the dens with their landscape classes."""
        frame = self.frame
        if "landscape_class" not in frame:
            raise RegisterError(_NOT_DERIVED)
        return frame

    def _derived_definition(self) -> str:
        """Return the definition by which the stored classes were made, which study.toml may have left behind."""
        provenance = self.register.provenance().set_index("covariate")
        return str(provenance.at["landscape_class", "method"])

    def class_names(self) -> Sequence[str]:
        """Return the names of the landscape classes, urban first.

        Returns
        -------
        sequence of str

        Raises
        ------
        RegisterError
            Nothing was derived yet, or study.toml [gradient] was changed since.
        """
        if self._classes:
            return self._classes
        from densite import asof, gradient

        if isinstance(self.register, asof.RegisterAsOf):
            raise RegisterError(
                "the classes by which the values of that time were made were not kept then, and study.toml [gradient] "
                "is another now: put it back as it was, and this table can be made"
            )
        if self._derived_definition() != gradient.definition(self.settings.gradient):
            raise RegisterError("study.toml [gradient] was changed since `densite derive`: run it again")
        if self.settings.gradient.scheme != "polygons":
            return gradient.class_names(self.settings.gradient)
        return gradient.class_names(self.settings.gradient, layers=self.layers, layer_settings=self.settings.layers)

    def write_tables(self, table: DenTypeTable) -> list[Path]:
        """Write the table in every format into ``out``.

        Parameters
        ----------
        table : DenTypeTable
            From :meth:`table`.

        Returns
        -------
        list of Path
        """
        from densite.tables import WRITERS

        self.out.mkdir(mode=0o700, exist_ok=True)  # exact places
        paths = []
        for ending, write in WRITERS.items():
            path = self.out / f"den-types.{ending}"
            path.write_text(write(table), encoding="utf-8")
            paths.append(path)
        return paths

    def question(self) -> Question:
        """Return what is compared with what: dens, gradient, classes, covariates, available ground.

        Returns
        -------
        Question

        Raises
        ------
        RegisterError
            Nothing was derived yet, or study.toml [gradient] was changed since.
        SettingsError, StatisticsError, LayerError, PointsError
            A choice in [compare] does not fit, or a layer cannot be read.
        """
        from densite.inquiry import ask

        frame = self._classed()
        return ask(
            frame, self.visits, settings=self.settings, layers=self.layers, folder=self.folder,
            classes=self.class_names(),
        )  # fmt: skip

    def compare(
        self, question: Question | None = None, *, step: Callable[[str], object] = lambda _: None
    ) -> Comparison:
        """Compare dens along the gradient and between landscape classes.

        Parameters
        ----------
        question : Question, optional
            From :meth:`question`, which is asked unless it is given.
        step : callable
            Called with the name of each part when it is done.

        Returns
        -------
        Comparison

        Raises
        ------
        RegisterError, SettingsError, StatisticsError, LayerError, PointsError
            As for :meth:`question`, or there are no dens.
        """
        from densite.compare import compare
        from densite.inquiry import chance_of

        return compare(question or self.question(), chance=chance_of(self.settings.compare), step=step)

    def write_comparison(self, comparison: Comparison) -> list[Path]:
        """Write a comparison in every format, and its figures, into ``out``.

        Parameters
        ----------
        comparison : Comparison
            From :meth:`compare`.

        Returns
        -------
        list of Path
        """
        from densite import figures, findings

        self.out.mkdir(mode=0o700, exist_ok=True)  # exact places
        paths = []
        for ending, write in findings.WRITERS.items():
            path = self.out / f"comparison.{ending}"
            path.write_text(write(comparison), encoding="utf-8")
            paths.append(path)
        asked = comparison.question
        drawn = figures.draw(
            comparison.blocks, self.out / "figures", gradient_name=asked.gradient_name,
            gradient_unit=asked.gradient_unit, urban_is_high=asked.urban_is_high, covariates=asked.covariates,
            confidence=comparison.chance.confidence,
        )  # fmt: skip
        return [*paths, *(path for figure in drawn for path in (figure.svg, figure.png) if path)]

    @property
    def litters(self) -> pd.DataFrame:
        """Litters, one row a female and winter, with den type and landscape class of their den."""
        from densite.litters import litters_of

        return litters_of(self.records("cub"), self.records("handling"), self.frame, self.register.visits())

    def litter_table(self) -> LitterTable:
        """Return litter sizes and sex ratios by den type, landscape class and winter.

        Returns
        -------
        LitterTable
            With intervals over females.

        Raises
        ------
        RegisterError, StatisticsError
            There are no litters, or study.toml [gradient] was changed since `densite derive`.
        """
        from densite.inquiry import chance_of, gradient_name, is_log, scaled
        from densite.litters import litter_table, without_cubs

        found, log = self.litters, is_log(self.settings)
        gradient = scaled(found["gradient"].to_numpy(dtype=float), log=log)
        return litter_table(
            found.assign(gradient=gradient), types=DEN_TYPES, classes=self._classes_if_derived(),
            chance=chance_of(self.settings.compare), gradient_name=gradient_name(self.settings),
            no_litters=without_cubs(self.records("cub"), self.records("handling")),
        )  # fmt: skip

    def birth_table(self) -> BirthTable:
        """Return birth dates by landscape class and winter, known or estimated by the study's calibration.

        Returns
        -------
        BirthTable
            With the distribution that the planning of visits takes.

        Raises
        ------
        RegisterError, StatisticsError
            As for :meth:`litter_table`.
        """
        from densite.births import birth_dates
        from densite.calibration import ages_from
        from densite.inquiry import chance_of

        return birth_dates(
            self.births, self.litters, classes=self._classes_if_derived(), chance=chance_of(self.settings.compare),
            ages_from=ages_from(self.calibration),
        )  # fmt: skip

    def growth(self) -> Growth:
        """Return how the study's cubs grow, and how each stands beside the others.

        Returns
        -------
        Growth

        Raises
        ------
        StatisticsError
            There are no weighed cubs of known or estimated age.
        """
        from densite.calibration import ages_from
        from densite.growth import growth, litter_ages

        cubs, confidence = self.records("cub"), self.settings.compare.confidence
        births = self.births
        return growth(
            cubs, litter_ages(cubs, births.frame), self.litters, shared=births.shared, confidence=confidence,
            ages_from=ages_from(self.calibration),
        )  # fmt: skip

    def _classes_if_derived(self) -> Sequence[str]:
        return self.class_names() if "landscape_class" in self.frame else ()

    def map(self, path: str | Path | None = None) -> Path:
        """Render the crew's map, which shows exact places and says so.

        Parameters
        ----------
        path : path, optional
            HTML file to write, ``out/crew-map.html`` by default.

        Returns
        -------
        Path

        Raises
        ------
        MapError
            There is nothing to show.
        """
        from densite.webmap import crew_map, write_map

        frame = self.frame.join(self._visit_summaries())
        if frame.empty:
            raise MapError("the register holds no dens: nothing to draw")
        page = crew_map(
            _worded(frame), title=self.settings.map.title or self.settings.study.name,
            groups=_groups(frame, self.register.provenance()),
            layers=self.layers, legend=self._legend(), landscape=self._landscape(),
            overlay_px=self.settings.map.overlay_px,
        )  # fmt: skip
        target = Path(path) if path else self.out / "crew-map.html"
        if path and not target.parent.is_dir():
            raise MapError(
                f"no folder {target.parent}: exact den places are only written where you mean it. Make it first"
            )
        write_map(page, target)
        return target

    def _visit_summaries(self) -> pd.DataFrame:
        """Sum up for each den what its visits found of mother and cubs."""
        from densite.cubs import one_birth_each
        from densite.visits import visit_summaries

        births = one_birth_each(self.births).frame
        how = "invented calibration" if self.calibration is not None and self.calibration.invented else ""
        handlings, cubs, checks = (self.records(kind) for kind in ("handling", "cub", "check"))
        return visit_summaries(handlings, cubs, checks, births, how_born=how)

    def _legend(self) -> cover.Legend | None:
        from densite import cover

        chosen = self.settings.layers.get("land_cover")
        return cover.read_legend(chosen.legend or "nlcd", folder=self.folder) if chosen else None

    def _landscape(self) -> gradient.ClassGrid | None:
        """Return landscape classes over the study area, for the map only."""
        from densite import gradient

        if gradient.layer_of(self.settings.gradient) not in self.layers:
            return None
        return gradient.landscape_grid(
            bounds=self._bounds(), crs=self.settings.study.crs, settings=self.settings.gradient, layers=self.layers,
            folder=self.folder, layer_settings=self.settings.layers,
        )  # fmt: skip

    def _bounds(self) -> tuple[float, float, float, float]:
        from densite.layers import Features

        boundary = self.layers.get("boundary")
        frame = boundary.frame if isinstance(boundary, Features) else self.dens
        west, south, east, north = frame.to_crs(self.settings.study.crs).total_bounds
        pad = 0 if isinstance(boundary, Features) else 2000
        return west - pad, south - pad, east + pad, north + pad

    def check(self) -> list[Problem]:
        """List what in the register a person should look at again.

        Returns
        -------
        list of Problem
        """
        return self.review().problems

    def review(self) -> Review:
        """List the open questions with their dens, crews and days, and what could not be looked at.

        Returns
        -------
        Review
        """
        from densite.questions import review_of

        return review_of(self)

    def worksheet(self, path: Path, review: Review) -> Path:
        """Write the page of open questions to work through, which shows exact places and says so.

        Parameters
        ----------
        path : Path
            HTML file to write.
        review : Review
            From :meth:`review`.

        Returns
        -------
        Path

        Raises
        ------
        MapError
            The page cannot be drawn or written.
        """
        from densite.questions import write_worksheet

        return write_worksheet(self, path, review)

    def history(self, text: str) -> Story:
        """Tell what happened to a den, a visit, an animal's records or one record.

        Parameters
        ----------
        text : str
            ``D-2026-14``, ``D-2026-14/2026-02-24``, an animal's id, or eight or more characters of an id.

        Returns
        -------
        Story
            In order, by the study's clock; exact places are in it.

        Raises
        ------
        RegisterError
            Nothing, or more than one record, goes by that name.
        """
        from densite.history import tell

        return tell(self.register, text, zone=self.zone)

    def correct(
        self, text: str, values: Mapping[str, str], *, reason: str, confirm: bool = False, dry_run: bool = False,
        shown: Correction | None = None,
    ) -> Correction:  # fmt: skip
        """Correct values of a den or a visit; the journal keeps what was there.

        Parameters
        ----------
        text, values, reason, confirm, dry_run, shown
            As for :func:`densite.corrections.correct`.

        Returns
        -------
        Correction
            ``done`` only where nothing stands in the way; its ``problems`` say what does.

        Raises
        ------
        RegisterError, LayerError
            No such record, no reason, nothing to change, or the register or boundary cannot be used.
        """
        from densite.corrections import correct

        return correct(
            self.register, text, values, reason=reason, settings=self.settings, area=self.area, confirm=confirm,
            dry_run=dry_run, shown=shown,
        )  # fmt: skip

    def withdraw(self, text: str, *, reason: str, undo: bool = False) -> Withdrawal:
        """Withdraw a den or a visit, or take that back. Nothing is deleted.

        Parameters
        ----------
        text, reason, undo
            As for :func:`densite.withdrawals.withdraw`.

        Returns
        -------
        Withdrawal

        Raises
        ------
        RegisterError
            No such record, no reason, nothing to do, or the register cannot be written.
        """
        from densite.withdrawals import withdraw

        return withdraw(self.register, text, reason=reason, undo=undo)

    def as_of(self, when: str | dt.date) -> Study:
        """Return the study as its register stood at an earlier time; it can be read, not changed.

        Parameters
        ----------
        when : str, date or datetime
            A day, to its end by the study's clock, or a time.

        Returns
        -------
        Study
            With the definition of classes by which its values were derived. Layers, calibration and
            protocol are those of now: earlier ones are not kept. It shares this study's register.

        Raises
        ------
        RegisterError
            It is no day, or lies before the register's journal.
        """
        from densite import asof

        then = asof.RegisterAsOf(self.register, asof.read_when(str(when), self.zone))
        chosen, classes = asof.settings_then(self.settings, then.provenance())
        study = Study(self.folder, chosen, then)
        study._classes = classes
        return study


def open_study(folder: str | Path) -> Study:
    """Open a study folder.

    Parameters
    ----------
    folder : path
        A folder with study.toml, as `densite new` makes it.

    Returns
    -------
    Study

    Raises
    ------
    SettingsError
        study.toml is missing or wrong.
    RegisterError
        The register is missing, in use, damaged, or newer than this program.
    """
    place = Path(folder)
    chosen = settings.load(place)
    return Study(place, chosen, open_register(target_of(chosen.register_, place), study_id=chosen.study.id))


def _first_females(visits: pd.DataFrame) -> pd.Series[Any]:
    """Return the first known female of each den."""
    known = visits.loc[visits["female"].notna()]
    return known.drop_duplicates("den_id").set_index("den_id")["female"]


def _joined(dens: gpd.GeoDataFrame, visits: pd.DataFrame, derived: pd.DataFrame) -> gpd.GeoDataFrame:
    first = visits.groupby("den_id")["observed_on"].agg(["first", "count"])
    return dens.assign(
        female=_first_females(visits).reindex(dens.index),
        first_visit=first["first"].reindex(dens.index),
        visits=first["count"].reindex(dens.index).fillna(0).astype(int),
    ).join(derived)


_SHOWN_DEN = (
    "den_subtype", "uncertainty_m", "position_method", "aspect_deg", "aspect_read", "slope_deg", "canopy_pct",
    "concealment_pct", "cover_species", "cover_notes", "entrance_height_cm", "entrance_width_cm", "depth_cm",
    "tree_species", "tree_diameter_cm", "entrance_above_ground_m", "protection_notes", "morning_sun", "observer",
    "notes",
)  # fmt: skip
_SHOWN_VISIT = (
    Term("female", "First known female", "text", "visit", "the first female recorded in the den"),
    Term("first_visit", "First visit", "date", "visit", "day of the first visit"),
    Term("visits", "Visits", "number", "visit", "number of visits"),
    Term("handled", "Handled", "text", "visit", "the female, the day, her mass"),
    Term("litter", "Litter", "text", "visit", "cubs seen, by day and sex"),
    Term("born", "Born", "text", "visit", "birth date of the litter, and whether it is known or estimated"),
    Term("stayed", "After the visit", "text", "visit", "what the checks after the visit found"),
)


def _groups(frame: gpd.GeoDataFrame, provenance: pd.DataFrame) -> list[tuple[str, list[Any]]]:
    """Choose the popup's lines; observed and derived values stand apart."""
    from densite.webmap import PopupField

    named = {term.name: term for term in (*DEN_TERMS, *KEPT_TERMS)}
    seen = [PopupField(t.name, t.heading, t.unit) for t in (named[n] for n in _SHOWN_DEN if n in frame)]
    visits = [PopupField(t.name, t.heading, t.unit) for t in _SHOWN_VISIT]
    derived = [PopupField(*line) for line in _derived_lines(frame, provenance)]
    return [("Visits", visits), ("Observed at the den", seen), ("Derived from layers", derived)]


def _derived_lines(frame: gpd.GeoDataFrame, provenance: pd.DataFrame) -> Iterator[tuple[str, str, str]]:
    """Yield column, heading with radius, and unit of each derived value that a popup shows."""
    terms = {term.name: term for term in DERIVED_TERMS}
    for row in provenance.itertuples():
        term, column = terms.get(str(row.covariate)), column_name(str(row.covariate), _radius(row.radius_m))
        if term is None or term.kind == "share" or column not in frame:
            continue
        radius = f" within {row.radius_m:g} m" if column != row.covariate else ""
        yield column, term.heading + radius, str(row.unit) if term.kind == "number" else ""


def _radius(value: Any) -> float | None:
    return None if value is None or math.isnan(value) else float(value)


def _worded(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Write the yes/no values as words."""
    flags = [t.name for t in DERIVED_TERMS if t.kind == "yes/no" and t.name in frame]
    worded = frame.assign(**{name: frame[name].map({1.0: "yes", 0.0: "no"}) for name in flags})
    if "class_could_be" in worded and "class_certain" in worded:
        could_be = worded["class_could_be"].astype(object).mask(worded["class_certain"] == "yes", "no other")
        worded = worded.assign(class_could_be=could_be)
    return worded
