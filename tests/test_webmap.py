"""The crew's map as a whole: as a file, and in a real browser with the network cut off."""

import re
import time
from collections.abc import Iterator
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
from affine import Affine
from pyproj import CRS
from shapely.geometry import LineString, Point, box
from test_webmap_page import Reader, policy_of, sha256

from densite.cover import Legend
from densite.errors import MapError
from densite.gradient import ClassGrid
from densite.layers import Features, open_raster
from densite.settings import LayerSettings
from densite.terms import DEN_TYPES
from densite.webmap import PopupField, crew_map, write_map

HOSTILE = (
    "<img src=x onerror=\"document.title='owned'\">",
    "</script><script>document.title='owned'</script>",
    "</textarea></style></title><svg onload=document.title='owned'>",
    "`${document.title='owned'}` {{ 7*7 }} {% raw %} %}",
    "<!-- <script> &lt;b&gt; &amp; \u2028\u2029 ' \" \\u003c",
    "javascript:document.title='owned'",
)
BANNER = "Exact den locations: not for publication"
GROUPS = [
    ("Observed at the den", [PopupField("slope_deg", "Ground slope", "deg"), PopupField("notes", "Notes")]),
    ("Derived from layers", [PopupField("elevation", "Elevation", "m")]),
]
UTM, SIDE, CELL = "EPSG:32611", 240, 150.0
GRID = Affine(CELL, 0, 530_000, 0, -CELL, 4_700_000)


def dens(count: int, **changes) -> gpd.GeoDataFrame:
    """Scatter dens of all types over the study."""
    rng = np.random.default_rng(11)
    x, y = rng.uniform(535_000, 561_000, count), rng.uniform(4_669_000, 4_695_000, count)
    columns = {
        "label": [f"OB-D{place:04d}" for place in range(count)],
        "den_type": [DEN_TYPES[place % len(DEN_TYPES)] for place in range(count)],
        "slope_deg": np.where(rng.random(count) < 0.3, np.nan, rng.uniform(0, 60, count)),
        "notes": [None if place % 4 else "two snags close by" for place in range(count)],
        "elevation": rng.uniform(600, 2100, count),
    } | changes  # fmt: skip
    return gpd.GeoDataFrame(columns, geometry=gpd.points_from_xy(x, y), crs=UTM).to_crs(4326)


def raster(folder: Path, name: str, values: np.ndarray):
    """Write a layer of the study."""
    profile = {"driver": "GTiff", "height": SIDE, "width": SIDE, "count": 1, "dtype": values.dtype}
    with rasterio.open(folder / f"{name}.tif", "w", crs=UTM, transform=GRID, **profile) as file:
        file.write(values, 1)
    return open_raster(name, LayerSettings(path=f"{name}.tif"), folder=folder)


def features(name: str, shapes: list) -> Features:
    """Wrap shapes as a layer of the study."""
    frame = gpd.GeoDataFrame({"name": HOSTILE[0]}, geometry=shapes, crs=UTM, index=range(len(shapes)))
    return Features(name=name, path=Path("made.gpkg"), layer=None, frame=frame, fingerprint="", year=None, source=None)


def layers(folder: Path) -> dict:
    """Make every layer that the map can draw; the hills are waves, so no two cells are alike."""
    row, column = np.mgrid[:SIDE, :SIDE]
    heights = 1200 + 400 * np.sin(row / 9) * np.cos(column / 13) + 150 * np.sin((row + 2 * column) / 5)
    codes = np.where(heights > 1400, 42, np.where(heights > 1000, 52, 11)).astype(np.uint8)
    lines = [LineString([(532_000, 4_670_000 + k * 900), (564_000, 4_672_000 + k * 700)]) for k in range(20)]
    return {
        "elevation": raster(folder, "elevation", heights.astype(np.float32)),
        "land_cover": raster(folder, "land_cover", codes),
        "boundary": features("boundary", [box(534_000, 4_668_000, 562_000, 4_696_000)]),
        "roads": features("roads", lines[::2]),
        "streams": features("streams", lines[1::2]),
        "buildings": features("buildings", [Point(540_000 + k * 90, 4_680_000) for k in range(60)]),
    }


def drawn(folder: Path, frame: gpd.GeoDataFrame, *, title: str = "Ondra Basin bear study", **changes) -> str:
    """Draw the study with all its layers, some of their names hostile."""
    codes = np.repeat(np.arange(4, dtype=np.int8), 15)[:, None] * np.ones((1, 60), np.int8)
    grid = ClassGrid((HOSTILE[1], "suburban", "exurban", "rural"), codes, GRID * Affine.scale(4), CRS(UTM), HOSTILE[3])
    legend = Legend(HOSTILE[0], "", {11: "Open Water", 42: HOSTILE[2], 52: "Shrub/Scrub"})
    options = {"groups": GROUPS, "layers": layers(folder), "legend": legend, "landscape": grid} | changes
    return crew_map(frame, title=title, **options)


# --- as a file


@pytest.fixture(scope="module")
def text(tmp_path_factory) -> str:
    """A map of 60 ordinary dens."""
    return drawn(tmp_path_factory.mktemp("layers"), dens(60))


def test_nothing_in_the_file_points_outside(text):
    """No attribute loads anything but data of the file itself, and no style does."""
    reader = Reader(text)
    loading = ("src", "href", "srcset", "data", "action", "poster", "background", "xlink:href", "manifest")
    targets = [value for _, attributes in reader.elements for name, value in attributes.items() if name in loading]
    assert set(targets) <= {"#panel"}
    assert not reader.all("link")
    assert not reader.all("iframe")
    styles = "".join(body for name, body in reader.texts if name == "style")
    assert re.findall(r"url\((?!data:)[^)]*\)|@import", styles) == []


def test_every_script_in_the_file_is_allowed_by_its_hash(text):
    """The hashes of what stands in the file are the policy's, and no handler is inline."""
    reader = Reader(text)
    scripts = [body for name, body in reader.texts if name == "script"]
    kinds = [attributes.get("type") for attributes in reader.all("script")]
    run = [sha256(body) for kind, body in zip(kinds, scripts, strict=True) if kind is None]
    assert run == policy_of(reader)["script-src"]
    assert len(run) == 7
    attributes = {name for _, found in reader.elements for name in found}
    assert not {name for name in attributes if name.startswith("on")} | (attributes & {"style"})


def test_the_same_study_gives_the_same_file(text, tmp_path):
    """Nothing random is left in, so that two maps can be compared."""
    assert drawn(tmp_path, dens(60)) == text


def test_head_tells_nothing_exact(text):
    """Title and meta elements hold no coordinate, no path and no label."""
    head = re.sub(r"<style>.*?</style>|content=\"default-src.*?\"", "", text[: text.index("<body>")], flags=re.S)
    assert re.findall(r"\d{2,}\.\d+|OB-D|\.tif|/", head.replace("</", "<")) == []


def test_file_with_a_thousand_dens_is_small(tmp_path):
    """The bound is 6 MB."""
    assert len(drawn(tmp_path, dens(1000)).encode()) < 6_000_000


def test_layers_are_optional():
    """Dens alone make a map, with a row for each type that occurs."""
    page = crew_map(dens(3), title="x", groups=[], layers={}, legend=None, landscape=None)
    assert "Surface over the relief" not in page
    assert page.count('"kind":"dens"') == 3


def test_a_study_without_dens_shows_its_layers(tmp_path):
    """Before the first winter there is still a boundary and relief."""
    page = drawn(tmp_path, dens(0))
    assert '"labels":[]' in page
    assert "Relief shading" in page


def test_elevation_alone_is_enough(tmp_path):
    """Without dens and boundary all of the elevation layer is shown."""
    only = {"elevation": layers(tmp_path)["elevation"]}
    page = crew_map(dens(0), title="x", groups=[], layers=only, legend=None, landscape=None)
    assert "Relief shading" in page


def test_nothing_at_all_is_an_error():
    """An empty study says so."""
    with pytest.raises(MapError, match="nothing to draw"):
        crew_map(dens(0), title="x", groups=[], layers={}, legend=None, landscape=None)


def test_dens_without_coordinates_are_told():
    """They are missing from the map, so the map says how many."""
    frame = dens(5)
    frame.loc[2, "geometry"] = None
    page = crew_map(frame, title="x", groups=[], layers={}, legend=None, landscape=None)
    assert "1 of 5 dens have no coordinates and are not drawn." in page


def test_writing_replaces_a_file_whole(tmp_path):
    """The new text stands in the file and no scratch file stays behind."""
    target = tmp_path / "new" / "map.html"
    write_map("one\n", target)
    write_map("two\u2028\n", target)
    assert target.read_bytes() == "two\u2028\n".encode()
    assert list(target.parent.iterdir()) == [target]


def test_writing_where_no_file_can_be_is_told(tmp_path):
    """A folder of that name is no file."""
    (tmp_path / "map.html").mkdir()
    with pytest.raises(MapError, match="cannot be written"):
        write_map("x", tmp_path / "map.html")
    assert len(list(tmp_path.iterdir())) == 1


# --- in a browser


@pytest.fixture
def show(chromium, tmp_path) -> Iterator:
    """Open a map from its file as a user does; complain of any request, error or policy breach."""
    contexts, complaints = [], []

    def refuse(route):
        complaints.append(f"request: {route.request.url}")
        route.abort()

    def opened(page_text: str, *, width: int = 1280, height: int = 800):
        file = tmp_path / "map.html"
        write_map(page_text, file)
        context = chromium.new_context(viewport={"width": width, "height": height}, reduced_motion="reduce")
        contexts.append(context)
        context.route(lambda url: not url.startswith(("file:", "data:")), refuse)
        page = context.new_page()
        page.on("console", lambda message: complaints.append(f"console {message.type}: {message.text}"))
        page.on("pageerror", lambda error: complaints.append(f"error: {error}"))
        page.on("request", lambda asked: asked.url in (file.as_uri(),) or asked.url.startswith("data:")
                or complaints.append(f"asked: {asked.url}"))  # fmt: skip
        page.add_init_script(
            "document.addEventListener('securitypolicyviolation', e => console.error('policy', e.violatedDirective))"
        )
        page.goto(file.as_uri())
        page.wait_for_selector("html[data-ready=yes]", state="attached")
        return page

    opened.complaints = complaints
    yield opened
    for context in contexts:
        context.close()
    assert complaints == []


def count(page, kind: str) -> int:
    """Count the dens that are on the map, alone or in clusters."""
    return page.evaluate(f"densite.view.dens.cluster.getLayers().filter(m => m.options.type === {kind}).length")


def test_map_opens_without_a_network(show, text):
    """Relief, surface, lines and dens are there; the guard of the fixture saw no request."""
    page = show(text)
    assert page.locator("img.relief").count() == 1
    page.wait_for_function("[...document.images].every(one => one.complete && one.naturalWidth > 20)")
    assert page.locator(".den, .cluster").count() > 5
    assert page.locator("canvas").count() == 1
    assert page.title() == "Ondra Basin bear study"


def test_the_guard_sees_a_request_and_a_breach(show, text):
    """The fixture is not blind: without the policy a request is noticed, with it a breach."""
    page = show(text)
    page.evaluate(
        """() => new Promise(done => {
            document.addEventListener('securitypolicyviolation', () => setTimeout(done, 50));
            document.body.insertAdjacentHTML('beforeend', '<img src="data:," onerror="document.title = 1">');
        })"""
    )
    assert any("script-src-attr" in complaint for complaint in show.complaints)
    open_text = re.sub(r'<meta http-equiv="Content-Security-Policy".*?>', "", text)
    page = show(open_text)
    page.evaluate("fetch('http://example.invalid/a').catch(() => null)")
    assert any("request: http://example.invalid/a" in complaint for complaint in show.complaints)
    show.complaints.clear()


def test_hostile_text_shows_as_typed(show, tmp_path):
    """In every field, in labels, headings, class names and title, markup is only text."""
    frame = dens(len(HOSTILE), label=list(HOSTILE), notes=list(HOSTILE), elevation=list(HOSTILE[::-1]))
    groups = [(HOSTILE[1], [PopupField("notes", HOSTILE[0], HOSTILE[2])]), ("Derived", [PopupField("elevation", "E")])]
    page = show(drawn(tmp_path, frame, title=HOSTILE[1], groups=groups))
    assert page.title() == HOSTILE[1]
    assert page.locator("h1").text_content() == HOSTILE[1]
    for place, label in enumerate(HOSTILE):
        page.evaluate(f"densite.view.dens.open(densite.view.dens.markers[{place}])")
        record = page.locator(".record")
        page.wait_for_function("text => document.querySelector('.record h2')?.textContent === text", arg=label)
        assert record.locator("h3").first.text_content() == HOSTILE[1]
        assert record.locator("dt").first.text_content() == HOSTILE[0]
        assert record.locator("dd").first.text_content() == f"{label} {HOSTILE[2]}"
        assert record.locator("dd").nth(1).text_content() == HOSTILE[::-1][place]
        assert record.locator("img, script, b").count() == 0
    panel = page.locator("#panel").text_content()
    assert all(part in panel for part in (HOSTILE[1], HOSTILE[3], f"Land cover ({HOSTILE[0]})", HOSTILE[2]))


def test_types_are_counted_and_switched(show, text):
    """Each type has its count, leaves the map when switched off and comes back."""
    page = show(text)
    rows = page.locator("input[data-kind=dens]")
    assert rows.count() == len(DEN_TYPES)
    for kind in range(len(DEN_TYPES)):
        row = page.locator(f".row:has(input[data-kind=dens][data-key='{kind}'])")
        assert row.locator(".number").text_content() == "12"
        assert row.locator(".name").text_content() == DEN_TYPES[kind]
        row.locator("input").uncheck()
        assert [count(page, other) for other in range(5)] == [0 if other == kind else 12 for other in range(5)]
        row.locator("input").check()
        assert count(page, kind) == 12


def test_symbols_differ_by_type_and_are_named(show, text):
    """Every type is drawn with its own path and fill; marks and clusters say in words what they are."""
    page = show(text)
    page.evaluate("densite.view.map.setZoom(16, {animate: false})")
    looks, names = {}, []
    for place in range(5):
        page.evaluate(f"densite.view.dens.open(densite.view.dens.markers[{place}])")
        page.wait_for_function(f"densite.view.dens.markers[{place}].isPopupOpen()")
        icon = page.evaluate_handle(f"densite.view.dens.markers[{place}]._icon")
        names.append(icon.evaluate("one => [one.getAttribute('aria-label'), one.title, one.tabIndex]"))
        looks[DEN_TYPES[place]] = icon.evaluate(
            "one => ['d', 'fill'].map(part => one.querySelector('path:last-child').getAttribute(part)).join()"
        )
    assert len(set(looks.values())) == 5
    assert names == [[f"OB-D000{k}, {DEN_TYPES[k]}"] * 2 + [0] for k in range(5)]


def test_surfaces_replace_each_other_and_explain_themselves(show, text):
    """One surface at a time, and the legend of just that one."""
    page = show(text)
    for key in ("land_cover", "slope", "landscape"):
        page.locator(f"input[data-key={key}]").check()
        assert page.locator("img.surface").count() == 1
        section = page.locator("fieldset", has=page.locator(f"input[data-key={key}]"))
        assert section.locator(".legend:visible").count() == 1
        assert section.locator(f".row:has(input[data-key={key}]) .legend li:visible").count() >= 3
    page.locator("input[data-kind=none]").check()
    assert page.locator("img.surface").count() == 0


def test_lines_and_relief_can_be_switched_off(show, text):
    """Each box takes its layer off the map and puts it back."""
    page = show(text)
    for key in ("boundary", "roads", "streams", "buildings", "hillshade"):
        box_ = page.locator(f"input[data-key={key}]")
        before = box_.is_checked()
        for wanted in (not before, before):
            box_.set_checked(wanted)
            assert page.evaluate(f"densite.view.map.hasLayer(densite.view.layers['{key}'])") == wanted


def test_popup_opens_by_click_and_closes_by_escape(show, text):
    """A click on a den shows its record, with observed and derived values apart."""
    page = show(text)
    page.locator(".den").first.click()
    record = page.locator(".record")
    record.wait_for()
    assert record.locator("h3").all_text_contents() == ["Observed at the den", "Derived from layers"]
    assert record.locator(".where").text_content().endswith("(WGS 84)")
    page.keyboard.press("Escape")
    record.wait_for(state="detached")


def test_popup_opens_by_keyboard_and_focus_returns(show, text):
    """Enter on a den opens its record, the record has the focus, Escape leads back to the den."""
    page = show(text)
    label = page.locator(".den").first.get_attribute("aria-label")
    page.locator(".den").first.focus()
    page.keyboard.press("Enter")
    page.locator(".record").wait_for()
    assert page.evaluate("document.activeElement.className") == "record"
    page.keyboard.press("Escape")
    page.locator(".record").wait_for(state="detached")
    assert page.evaluate("document.activeElement.getAttribute('aria-label')") == label


def test_cluster_opens_by_keyboard(show, text):
    """Enter on a cluster comes closer, as a click does; its name tells the mix of types."""
    page = show(text)
    cluster = page.locator(".cluster").first
    assert re.fullmatch(r"\d+ dens: (\d+ [a-z ]+(, )?)+", cluster.get_attribute("aria-label"))
    before = page.evaluate("densite.view.map.getZoom()")
    cluster.focus()
    page.keyboard.press("Enter")
    page.wait_for_function("before => densite.view.map.getZoom() > before", arg=before)


def test_dens_on_the_same_spot_can_both_be_read(show):
    """Two dens at one point fan out at the closest zoom."""
    frame = dens(2)
    frame.loc[1, "geometry"] = frame.geometry.iloc[0]
    page = show(crew_map(frame, title="x", groups=GROUPS, layers={}, legend=None, landscape=None))
    for place in (0, 1):
        page.evaluate(f"densite.view.dens.open(densite.view.dens.markers[{place}])")
        page.wait_for_function(f"densite.view.dens.markers[{place}].isPopupOpen()")
        assert page.locator(".record h2").last.text_content() == f"OB-D000{place}"


def test_a_den_is_found_by_its_label(show, text):
    """Upper and lower case do not matter; an unknown label is answered; a type comes back on."""
    page = show(text)
    page.locator("input[data-kind=dens][data-key='2']").uncheck()
    page.fill("input[type=search]", "ob-d0007")
    page.click("text=Show >> nth=0")
    page.locator(".record").wait_for()
    assert page.locator(".record h2").text_content() == "OB-D0007"
    assert page.locator("input[data-kind=dens][data-key='2']").is_checked()
    page.fill("input[type=search]", "OB-D9999")
    page.click("text=Show >> nth=0")
    assert page.locator(".finder [role=status]").text_content() == "No den on this map has that label."


@pytest.mark.parametrize("size", [(1280, 800), (390, 800), (320, 560)])
def test_the_banner_stays_in_sight(show, text, size):
    """On every width, after scrolling and with a record open, the warning is on top of all else."""
    page = show(text, width=size[0], height=size[1])
    page.evaluate("densite.view.dens.open(densite.view.dens.markers[0])")
    page.locator(".record").wait_for()
    page.mouse.wheel(0, 2000)
    page.evaluate("window.scrollTo(0, 9999)")
    assert page.locator("#banner").text_content() == BANNER
    assert page.evaluate(
        """() => { const b = document.querySelector('#banner strong').getBoundingClientRect();
        const top = document.elementFromPoint(b.x + b.width / 2, b.y + b.height / 2);
        return b.top >= 0 && b.bottom <= innerHeight && b.right <= innerWidth && top.closest('#banner') !== null; }"""
    )
    assert page.evaluate("document.documentElement.scrollWidth") <= size[0]


def test_a_phone_shows_the_map_first(show, text):
    """The panel starts closed, opens on demand, and leaves the map in sight."""
    page = show(text, width=390, height=800)
    assert page.locator("#sheet").bounding_box()["height"] > 500
    page.click("#panel summary")
    assert page.locator("input[data-kind=dens]").first.is_visible()
    assert page.locator("#sheet").bounding_box()["height"] > 200


def test_the_pointer_is_told_its_coordinates(show, text):
    """Latitude and longitude under the pointer are those that Leaflet projects."""
    page = show(text)
    page.mouse.move(400, 500)
    told = page.locator(".readout").text_content()
    spot = page.evaluate("densite.view.map.mouseEventToLatLng({clientX: 400, clientY: 500})")
    assert told == f"{spot['lat']:.5f}, {spot['lng']:.5f} (WGS 84)"
    assert page.locator(".leaflet-control-scale-line").all_text_contents()[0].endswith("km")


def test_dens_are_drawn_where_they_are(show):
    """The symbol of a lone den stands on the pixel that spherical Mercator gives for it."""
    page = show(crew_map(dens(1), title="x", groups=[], layers={}, legend=None, landscape=None))
    place = page.evaluate(
        """() => { const { map, dens } = densite.view, r = dens.markers[0]._icon.getBoundingClientRect();
        const at = map.mouseEventToLatLng({clientX: r.x + r.width / 2, clientY: r.y + r.height / 2});
        return [at.lng, at.lat]; }"""
    )
    den = dens(1).to_crs(UTM).geometry.iloc[0]
    seen = gpd.GeoSeries([Point(place)], crs=4326).to_crs(UTM).iloc[0]
    metres_per_pixel = 156_543.03 * np.cos(np.radians(place[1])) / 2 ** page.evaluate("densite.view.map.getZoom()")
    assert den.distance(seen) < 1.5 * metres_per_pixel


def test_paper_shows_all_of_the_map_and_the_legend(show, text):
    """Before printing the layout becomes that of a sheet, and afterwards the screen's again."""
    page = show(text, width=390, height=800)
    before = page.evaluate("densite.view.map.getBounds()")
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    assert page.locator("#panel .inside").is_visible()
    assert page.evaluate("b => densite.view.map.getBounds().contains([b._southWest, b._northEast])", before)
    assert page.locator("#banner").is_visible()
    page.evaluate("dispatchEvent(new Event('afterprint'))")
    assert not page.locator("#panel .inside").is_visible()
    assert page.pdf(prefer_css_page_size=True).count(b"/Type /Page\n") == 1


def test_a_thousand_dens_time_to_use(show, tmp_path, figure):
    """All thousand are on the map; the time is printed and bounded only loosely, for slow machines."""
    page_text = drawn(tmp_path, dens(1000))
    start = time.perf_counter()
    page = show(page_text)
    page.locator("input[data-kind=dens]").first.uncheck()
    taken = time.perf_counter() - start
    inside = page.evaluate("performance.getEntriesByName('map-ready')[0].startTime") / 1000
    figure(f"1,000 dens: ready {inside:.2f} s after opening, first switch done after {taken:.2f} s")
    assert sum(count(page, kind) for kind in range(5)) == 800
    assert inside < 20


def test_random_clicking_does_no_harm(show, text):
    """Twenty-five seeded switches and zooms leave map and panel agreeing."""
    page, dice = show(text), np.random.default_rng(4)
    boxes = page.locator("#panel input[type=checkbox], #panel input[type=radio]")
    for _ in range(25):
        boxes.nth(int(dice.integers(boxes.count()))).evaluate("one => one.click()")
        page.evaluate(f"densite.view.map.setZoom({dice.integers(9, 16)}, {{animate: false}})")
    for kind in range(5):
        on = page.locator(f"input[data-kind=dens][data-key='{kind}']").is_checked()
        assert count(page, kind) == (12 if on else 0)
    assert page.locator("img.surface").count() == (0 if page.locator("input[data-kind=none]").is_checked() else 1)
