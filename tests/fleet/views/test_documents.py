"""Documents: what is taken, how it is kept, who may have it, and that it never runs in the site."""

import datetime as dt

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from fleet.lib.errors import DomainError
from fleet.lib.files import MIB, check_size, file_kind
from fleet.models import Attachment, AuditEntry, Certificate
from fleet.services.attachments import attachment_add, file_name
from tests.factories.fleet import AttachmentFactory, CertificateFactory, UnitFactory, UserFactory

PDF = b"%PDF-1.7\nreport"


def upload(content=PDF, name="report.pdf"):
    return SimpleUploadedFile(name, content, content_type="text/html")


@pytest.mark.parametrize(
    ("name", "head", "kind"),
    [
        ("a.pdf", PDF, "PDF"),
        ("a.PDF", PDF, "PDF"),
        ("a.jpeg", b"\xff\xd8\xff\xe0", "JPEG picture"),
        ("a.csv", b"tag;volts\nMW-1;25,4", "CSV table"),
        ("a.txt", "é".encode("utf-16"), "plain text"),
    ],
)
def test_a_file_is_what_its_first_bytes_say(name, head, kind):
    assert file_kind(name, head).label == kind


@pytest.mark.parametrize(
    ("name", "head", "words"),
    [
        ("a.exe", b"MZ", "kind that is not taken"),
        ("a.svg", b"<svg>", "kind that is not taken"),
        ("a.html", b"<p>", "kind that is not taken"),
        ("report", PDF, "kind that is not taken"),
        ("a.pdf", b"<script>", "is no PDF"),
        ("a.csv", b"\x00\x01", "is no CSV"),
        ("a.pdf", b"", "is empty"),
    ],
)
def test_what_is_not_taken_says_what_is(name, head, words):
    with pytest.raises(DomainError, match=words):
        file_kind(name, head)


@pytest.mark.parametrize(("size", "fits"), [(20 * MIB, True), (20 * MIB + 1, False)])
def test_the_limit_is_part_of_what_is_taken(size, fits):
    if fits:
        check_size("a.pdf", size, 20 * MIB)
    else:
        with pytest.raises(DomainError, match="at most 20 MB"):
            check_size("a.pdf", size, 20 * MIB)


@pytest.mark.parametrize(
    ("typed", "kept"),
    [
        ("../../etc/passwd.txt", "passwd.txt"),
        ("C:\\papers\\a.pdf", "a.pdf"),
        ("a\r\nb.pdf", "ab.pdf"),
        ("", "file"),
        ("x" * 300 + ".pdf", "x" * 196 + ".pdf"),
    ],
)
def test_a_name_is_only_a_name(typed, kept):
    assert file_name(typed) == kept


@pytest.mark.django_db
def test_equal_content_is_kept_once_and_the_same_file_twice_is_one():
    unit, other = UnitFactory(), UnitFactory()
    first = attachment_add(upload=upload(), actor=None, unit=unit)
    again = attachment_add(upload=upload(), actor=None, unit=unit)
    elsewhere = attachment_add(upload=upload(), actor=None, unit=other)
    assert first.pk == again.pk
    assert elsewhere.pk != first.pk
    assert first.file.name == elsewhere.file.name == f"attachments/{first.sha256[:2]}/{first.sha256}"
    assert first.file.read() == PDF
    assert AuditEntry.objects.filter(action="attachment.add").count() == 2


@pytest.mark.django_db
def test_a_manager_puts_a_certificate_with_its_file_on_file(client, cast):
    unit = UnitFactory(home=cast.north)
    client.force_login(cast.nora)
    form = {
        "file": upload(),
        "title": "Thorough examination",
        "kind": "lifting_exam",
        "number": "L-1",
        "issued_on": "2024-01-05",
        "expires_on": "2024-07-05",
    }
    answer = client.post(reverse("fleet:attachment-list", args=[unit.tag]), form, follow=True)
    assert answer.status_code == 200
    certificate = Certificate.objects.get()
    assert (certificate.file.name, certificate.expires_on) == ("report.pdf", dt.date(2024, 7, 5))
    assert b"Thorough examination" in answer.content


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("form", "words"),
    [
        ({}, "Choose a file, or say which certificate"),
        ({"kind": "trailer"}, "on which day the certificate was issued"),
        ({"file": (b"<html>", "a.html")}, "kind that is not taken"),
        ({"file": (PDF, "a.pdf"), "kind": "trailer", "issued_on": "2044-01-05"}, "has not come yet"),
    ],
)
def test_what_is_wrong_is_said_and_nothing_is_kept(client, cast, form, words):
    unit = UnitFactory(home=cast.north)
    client.force_login(cast.nora)
    data = {key: upload(*value) if key == "file" else value for key, value in form.items()}
    answer = client.post(reverse("fleet:attachment-list", args=[unit.tag]), data)
    assert answer.status_code == 422
    assert words in answer.content.decode()
    assert Attachment.objects.count() == Certificate.objects.count() == 0


@pytest.mark.django_db
def test_a_download_is_a_download_and_nothing_else(client, cast):
    attachment = attachment_add(upload=upload(name="papers of unit 1.pdf"), actor=None, unit=UnitFactory())
    client.force_login(cast.vera)
    answer = client.get(reverse("fleet:attachment-download", args=[attachment.pk]))
    assert b"".join(answer.streaming_content) == PDF
    assert answer["Content-Disposition"] == 'attachment; filename="papers of unit 1.pdf"'
    assert answer["X-Content-Type-Options"] == "nosniff"
    assert "sandbox" in answer["Content-Security-Policy"]


@pytest.mark.django_db
def test_a_file_brought_in_for_an_import_is_for_who_brought_it(client, cast):
    attachment = AttachmentFactory(added_by=cast.nora)
    url = reverse("fleet:attachment-download", args=[attachment.pk])
    found = {}
    for name, user in cast.roles().items():
        client.force_login(user)
        found[name] = client.get(url).status_code
    assert found == {
        "manager": 200,
        "other_manager": 404,
        "dispatcher": 404,
        "procurement": 404,
        "viewer": 404,
        "administrator": 200,
        "stranger": 403,
    }


@pytest.mark.django_db
def test_the_page_of_documents_costs_the_same_at_two_sizes(cast, signed_in, queries_of):
    unit = UnitFactory(tag="MW-1", home=cast.north)
    client = signed_in(cast.nora)
    sizes = []
    for count in (2, 9):
        for _ in range(count):
            AttachmentFactory(unit=unit, added_by=UserFactory())
            CertificateFactory(unit=unit, file=AttachmentFactory(unit=unit, added_by=UserFactory()))
        sizes.append(queries_of(client, reverse("fleet:attachment-list", args=["MW-1"])))
    assert sizes[0] == sizes[1]
