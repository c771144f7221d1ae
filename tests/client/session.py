"""Uses a generated client as an integrator would: an issue, a conversion, the feed, and the answers of the ledger.

Usage: session.py ADDRESS. The generated package `parwright_client` stands beside the working directory. Every call is one of the generated
functions with generated models; what they cannot read or send fails here.
"""

import datetime
import decimal
import sys

from parwright_client import Client, models
from parwright_client.api.bond_issues import create_bond_issue
from parwright_client.api.carrying_values import get_carrying_value
from parwright_client.api.entities import create_entity, map_accounts
from parwright_client.api.journal import acknowledge_journal_batch, get_journal_batch, list_open_releases, list_releases
from parwright_client.api.transactions import convert_bonds

ROLES = (
    "cash interest_payable bonds_payable discount_on_bonds_payable debt_issue_costs common_stock additional_paid_in_capital "
    "interest_expense"
).split()


def done(response, kind, status):
    assert response.status_code == status, (response.status_code, response.content)
    assert isinstance(response.parsed, kind), type(response.parsed)
    return response.parsed


def main(address):
    client = Client(base_url=address)
    entity = models.EntityDocument(
        code="QUAY", name="Quayside Lifts, Inc.", functional_currency="USD", fiscal_year_end="12-31"
    )
    done(create_entity.sync_detailed(client=client, body=entity), models.EntityDocument, 201)
    accounts = models.AccountMappingDocumentAccounts()
    accounts.additional_properties = {
        role: models.AccountDocument(account=f"{at:04}") for at, role in enumerate(ROLES, 1000)
    }
    mapping = models.AccountMappingDocument(accounts=accounts)
    first_day = datetime.date(2026, 1, 1)
    response = map_accounts.sync_detailed("QUAY", client=client, body=mapping, effective_from=first_day)
    done(response, models.AccountMappingDocument, 200)

    issue = models.BondIssueDocument(
        entity="QUAY", reference="CB-2031", currency="USD", principal="10000000.00", denomination="1000.00",
        coupon_rate="0.04", coupon_frequency=2, day_count=models.DayCountName("30/360"),
        dated_date=datetime.date(2026, 1, 15), settlement_date=datetime.date(2026, 1, 15),
        maturity_date=datetime.date(2031, 1, 15), proceeds="9800000.00", issue_costs="150000.00",
        conversion=models.ConversionDocument(shares_per_denomination="24.6914", share_par_value="0.01"),
    )
    answer = create_bond_issue.sync_detailed(client=client, body=issue, idempotency_key="quay-issue")
    issued = done(answer, models.BondIssueAnswer, 201)

    conversion = models.ConversionRequest(
        effective_date=datetime.date(2026, 8, 20), principal="4000000.00", share_price="43.10"
    )
    call = dict(client=client, body=conversion, idempotency_key="quay-conversion")
    converted = done(convert_bonds.sync_detailed(issued.id, **call), models.RecordingAnswer, 201)
    repeated = convert_bonds.sync_detailed(issued.id, **call)
    assert repeated.headers["idempotent-replayed"] == "true", repeated.headers
    # Worked out in the README: the same terms, without what was accrued and paid on the way.
    assert converted.conversion.shares_issued == "98765", converted.conversion

    after, lines = 0, 0
    while True:
        page = done(list_releases.sync_detailed("QUAY", client=client, after=after, limit=2), models.Feed, 200)
        if not page.items:
            break
        for release in page.items:
            assert release.release == after + 1, (release.release, after)
            after = release.release
            batch = done(get_journal_batch.sync_detailed(release.batch, client=client), models.BatchDocument, 200)
            balance = decimal.Decimal(0)
            for entry in batch.entries:
                for line in entry.lines:
                    assert line.account, line
                    balance += decimal.Decimal(line.amount) * (1 if line.side == "debit" else -1)
                    lines += 1
            assert balance == 0, batch.number
            acknowledgement = models.AcknowledgementRequest(
                revision=release.revision, status=models.AcknowledgedStatus.ACKNOWLEDGED,
                document_number=f"LEDGER-{release.release}", release_sha256=release.release_sha256,
                totals=models.RepeatedTotals(
                    entries=release.totals.entries, lines=release.totals.lines,
                    debit=release.totals.debit, credit=release.totals.credit,
                ),
            )
            answer = acknowledge_journal_batch.sync_detailed(
                release.batch, client=client, body=acknowledgement, idempotency_key=f"ack-{release.number}"
            )
            done(answer, models.AcknowledgementAnswer, 200)
    assert after == 1 + len(converted.journal_batches), after
    still_open = list_open_releases.sync_detailed("QUAY", client=client)
    assert still_open.status_code == 200 and still_open.parsed.items == [], still_open.content
    value = get_carrying_value.sync_detailed(issued.id, client=client, as_of=datetime.date(2026, 8, 20))
    assert value.parsed.status == "tied" and value.parsed.principal == "6000000.00", value.content

    refused = convert_bonds.sync_detailed(
        issued.id, client=client, idempotency_key="quay-too-much",
        body=models.ConversionRequest(effective_date=datetime.date(2026, 9, 1), principal="9000000.00"),
    )
    assert done(refused, models.Problem, 409).code == "exceeds_outstanding", refused.content
    print(f"{after} releases and {lines} lines through the generated client")


if __name__ == "__main__":
    main(sys.argv[1])
