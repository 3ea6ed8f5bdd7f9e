"""Results shared by links: good for one thing, for a while, and no longer than their owner wants."""

from __future__ import annotations

import time
from collections.abc import Iterator
from urllib.parse import parse_qs, urlsplit

import pytest
from fastapi.testclient import TestClient

from service.app import create_app
from tests.service.fixtures import backing, finish, is_problem, post, service
from worker.settings import Environment

MASK = bytes(range(256)) * 64
FILES = {"masks/gold.png": MASK, "masks/gold 2.png": b"two", "report.json": b"{}"}
ENOUGH = 3600


@pytest.fixture
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    with service(tmp_path_factory.mktemp("links")) as client:
        yield client


@pytest.fixture
def job(client: TestClient) -> str:
    job = post(client).json()["id"]
    finish(client, job, FILES, {})
    return f"/v1/jobs/{job}"


def share(client: TestClient, job: str, **body: object) -> str:
    response = client.post(f"{job}/links", json=body)
    assert response.status_code == 201, response.text
    href: str = response.json()["href"]
    assert response.headers["location"] == href
    return href


def test_a_link_gives_its_file_and_its_package_without_a_key(client: TestClient, job: str) -> None:
    for path, data in FILES.items():
        assert client.get(share(client, job, path=path)).content == data
    shared, own = client.get(share(client, job)), client.get(f"{job}/package.zip")
    assert shared.content == own.content and shared.headers["content-disposition"] == own.headers["content-disposition"]
    assert shared.headers["etag"] == own.headers["etag"]


def test_a_link_works_from_anywhere_with_ranges_and_entity_tags(client: TestClient, job: str) -> None:
    """RFC 9110, 13.1.2 and 14."""
    link = share(client, job, path="masks/gold.png", seconds=ENOUGH)
    far = {"Host": "boards.example", "Sec-Fetch-Site": "cross-site", "X-Forwarded-For": "192.0.2.7"}
    whole = client.get(link, headers=far)
    assert whole.content == MASK and whole.headers["cache-control"].startswith("private, max-age=3")
    part = client.get(link, headers={**far, "Range": "bytes=10-19"})
    assert part.status_code == 206 and part.content == MASK[10:20]
    assert client.get(link, headers={"If-None-Match": whole.headers["etag"]}).status_code == 304
    assert client.get(link, headers={"Range": "bytes=99999999-"}).status_code == 416
    head = client.head(link)
    assert head.status_code == 200 and head.headers["content-length"] == str(len(MASK)) and not head.content


def test_a_link_says_when_it_ends_and_then_ends(client: TestClient, job: str, monkeypatch: pytest.MonkeyPatch) -> None:
    response = client.post(f"{job}/links", json={"path": "report.json", "seconds": 60})
    link = response.json()["href"]
    expires = int(parse_qs(urlsplit(link).query)["expires"][0])
    assert 58 <= expires - time.time() <= 61
    assert response.json()["path"] == "report.json" and response.json()["expires"].startswith("20")
    monkeypatch.setattr("service.links.time.time", lambda: expires - 1.0)
    assert client.get(link).status_code == 200
    monkeypatch.setattr("service.links.time.time", lambda: float(expires))
    assert is_problem(client.get(link), 410, "has ended", "new one")


def test_no_part_of_a_link_can_be_changed(client: TestClient, job: str) -> None:
    other = post(client, name="other.png").json()["id"]
    finish(client, other, FILES, {})
    link = share(client, job, path="masks/gold.png", seconds=60)
    path, query = link.split("?")
    expires, signature = parse_qs(query)["expires"][0], parse_qs(query)["signature"][0]
    flipped = ("0" if signature[0] != "0" else "1") + signature[1:]
    changed = [
        path,
        f"{path}?signature={signature}",
        f"{path}?expires={expires}",
        f"{path}?expires={int(expires) + 1}&signature={signature}",
        f"{path}?expires=0{expires}&signature={signature}",
        f"{path}?expires=%2B{expires}&signature={signature}",
        f"{path}?expires=-1&signature={signature}",
        f"{path}?expires={'9' * 40}&signature={signature}",
        f"{path}?expires={expires}&signature={flipped}",
        f"{path}?expires={expires}&signature={signature[:-1]}",
        f"{path}?expires={expires}&signature={signature.upper()}",
        f"{path}?expires={expires}&signature=%C3%A9",
        f"{path.replace('gold.png', 'gold%202.png')}?{query}",
        f"{path.partition('/files/')[0]}/package.zip?{query}",
        f"{path.replace(job.rpartition('/')[2], other)}?{query}",
        f"{path.replace(job.rpartition('/')[2], '0' * 32)}?{query}",
    ]
    for each in changed:
        assert is_problem(client.get(each), 404, "leads nowhere", "new one"), each
    assert client.get(link).status_code == 200
    ended = f"{path}?expires={int(time.time()) - 5}&signature={signature}"
    assert client.get(ended).status_code == 404, "who never had a link learns nothing from a date"


def test_links_end_when_they_are_revoked_by_job_or_all(client: TestClient, job: str) -> None:
    other = post(client, name="other.png").json()["id"]
    finish(client, other, FILES, {})
    first, second, third = (
        share(client, job),
        share(client, job, path="report.json"),
        share(client, f"/v1/jobs/{other}"),
    )
    assert client.delete(f"{job}/links").status_code == 204
    assert [client.get(link).status_code for link in (first, second, third)] == [404, 404, 200]
    again = share(client, job)
    assert client.get(again).status_code == 200
    assert client.delete("/v1/links").status_code == 204
    assert [client.get(link).status_code for link in (again, third)] == [404, 404]
    assert client.get(share(client, job)).status_code == 200
    assert is_problem(client.delete("/v1/jobs/none/links"), 404)


def test_links_end_with_the_secret(client: TestClient, job: str) -> None:
    link = share(client, job)
    data = backing(client).environment.data_dir
    with TestClient(create_app(Environment(data_dir=data)), base_url="http://127.0.0.1") as same:
        assert same.get(link).status_code == 200, "the secret outlives a restart"
    app = create_app(Environment(data_dir=data, secret="another secret of 32 letters or so"))
    with TestClient(app, base_url="http://127.0.0.1") as changed:
        assert changed.get(link).status_code == 404


def test_only_what_is_there_can_be_shared_and_not_for_ever(client: TestClient, job: str) -> None:
    assert is_problem(client.post(f"{job}/links", json={"path": "none.png"}), 404, "none.png")
    waiting = post(client, name="waits.png").json()["id"]
    assert is_problem(client.post(f"/v1/jobs/{waiting}/links", json={}), 409, "queued")
    assert is_problem(client.post(f"{job}/links", json={"seconds": 31 * 86400}), 422, "30 days")
    assert client.post(f"{job}/links", json={"seconds": 30 * 86400}).status_code == 201
    assert is_problem(client.post(f"{job}/links", json={"seconds": 0}), 422)


def test_making_and_revoking_links_is_in_the_audit_trail(client: TestClient, job: str) -> None:
    share(client, job, path="masks/gold.png")
    client.delete(f"{job}/links")
    client.delete("/v1/links")
    told = [(event["what"], event["subject"]) for event in client.get("/v1/audit").json()["events"][:3]]
    job_id = job.rpartition("/")[2]
    assert told == [("links-revoked", "all"), ("links-revoked", job_id), ("link-made", job_id)]


def test_a_browser_gets_a_page_where_a_link_leads_nowhere_and_a_program_a_problem(client: TestClient, job: str) -> None:
    """The header that browsers send with a navigation is common practice: text/html first (Fetch standard, 5.6)."""
    browser = {"Accept": "text/html,application/xhtml+xml,*/*;q=0.8"}
    link = share(client, job)
    assert client.get(link, headers=browser).headers["content-type"] == "application/zip"
    client.delete(f"{job}/links")
    for address in (link, link[:60], f"{link}0", f"{link}&x=<script>"):
        assert is_problem(client.get(address), 404)
        page = client.get(address, headers=browser)
        assert page.status_code == 404 and page.headers["content-type"] == "text/html; charset=utf-8"
        assert "This link leads nowhere" in page.text and "<script>" not in page.text
        assert "script-src" not in page.headers["content-security-policy"] and page.headers["vary"] == "Accept"
    assert is_problem(client.get(f"{job}/nothing", headers=browser), 404), "what is no link stays a problem"
