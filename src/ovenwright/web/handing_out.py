"""Reports and exports of a run as files to be downloaded."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any
from urllib.parse import quote

from starlette.background import BackgroundTask
from starlette.responses import FileResponse, Response

from ovenwright.errors import UsageError
from ovenwright.reporting.render import Form, render
from ovenwright.reporting.signed_facts import SignedLine, with_signatures
from ovenwright.reporting.words import Shown
from ovenwright.storage.wide import ExportUnit
from ovenwright.web.finding import Sought, under_way
from ovenwright.web.jobs import Job
from ovenwright.web.opened import Opened
from ovenwright.web.site import Site
from ovenwright.workflow.exporting import Format, export_run
from ovenwright.workflow.judging import Judged
from ovenwright.workflow.results import Result, judge_text, result_of, shown_of
from ovenwright.workflow.telling import write_whole

KINDS = {
    Form.PDF: "application/pdf",
    Form.HTML: "text/html; charset=utf-8",
    Form.XLSX: "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
}
EXPORT_KINDS = {
    Format.CSV: "text/csv; charset=utf-8",
    Format.XLSX: KINDS[Form.XLSX],
    Format.PARQUET: "application/vnd.apache.parquet",
    Format.NETCDF: "application/netcdf",
}


def attached(name: str) -> dict[str, str]:
    """Return the header that makes a browser keep an answer as a file of that name."""
    return {"content-disposition": f"attachment; filename*=UTF-8''{quote(name)}"}


def report(
    site: Site, opened: Opened, sought: Sought, form: Form, signed: Sequence[SignedLine] = ()
) -> Response | Job:
    """Return a report as a download, or the job that makes it where a run is large.

    Parameters
    ----------
    signed : the signatures under the run; a report made before they changed is not handed out

    Raises
    ------
    UsageError : if the run has no plan to be judged under
    """
    run_id, digest = sought.facts.id, sought.facts.digest
    name = f"{run_id}.{form.value}"
    if not sought.plan_toml:
        raise UsageError(
            "there is no verdict to report", where=run_id, remedy="judge the run under a plan first"
        )
    settings = site.tools.settings
    under = tuple((s.signature.number, s.broken, s.here) for s in signed)
    key = ("report", digest, sought.plan_key, form, settings.show_unit, settings.zone, under)
    made: Path | None = opened.files.held(key)
    if made is not None and made.is_file():
        return FileResponse(made, media_type=KINDS[form], headers=attached(name))
    result = sought.result
    if result is not None and (form is not Form.XLSX or result.judged is not None):
        shown = _shown(site, result, sought)
        content = _rendered(form, _signed(result, signed, shown), result.judged, shown)
        return Response(content, media_type=KINDS[form], headers=attached(name))

    def work(job: Job) -> Mapping[str, Any]:
        judged = judge_text(
            site.tools.logbook,
            site.tools.library(),
            run_id,
            plan_toml=sought.plan_toml,
            told=lambda share, words: job.tell(0.6 * share, words),
        )
        job.tell(0.6, "writing the report")
        whole = result_of(judged, show_unit=settings.show_unit, zone=settings.zone)
        shown = _shown(site, whole, sought)
        content = _rendered(form, _signed(whole, signed, shown), judged, shown)
        path = site.tools.logbook.make_reports_dir() / f"{run_id}-{sought.plan_key}.{form}"
        write_whole(path, content)
        opened.files.keep(key, path)
        return {"file": name}

    return under_way(site, opened, key, f"the report {name}", work)


def _shown(site: Site, result: Result, sought: Sought) -> Shown:
    settings = site.tools.settings
    return shown_of(result.plan, sought.facts, show_unit=settings.show_unit, zone=settings.zone)


def _signed(result: Result, signed: Sequence[SignedLine], shown: Shown) -> Result:
    return replace(result, document=with_signatures(result.document, signed, shown))


def _rendered(form: Form, result: Result, judged: Judged | None, shown: Shown) -> bytes:
    if judged is None:
        if form is Form.PDF:
            from ovenwright.reporting.pdf import render_pdf

            return render_pdf(result.document)
        from ovenwright.reporting.html import render_html

        return render_html(result.document)
    return render(form, result.document, judged.verdict, shown)


def readings(site: Site, run_id: str, form: Format, unit: ExportUnit) -> Response:
    """Return all readings of a run as a download in a format others work with."""
    folder = Path(tempfile.mkdtemp(prefix="ovenwright-export-"))
    path = folder / f"{run_id}{form.suffix}"

    def clear() -> None:
        path.unlink(missing_ok=True)
        folder.rmdir()

    try:
        export_run(site.tools.logbook, run_id, form, target=path, unit=unit)
    except BaseException:
        clear()
        raise
    return FileResponse(
        path,
        media_type=EXPORT_KINDS[form],
        headers=attached(path.name),
        background=BackgroundTask(clear),
    )
