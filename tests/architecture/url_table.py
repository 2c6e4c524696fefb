"""Every address of the site and who may use it. A new page needs one line here, or the matrix test fails.

    "app:entity-action": Page(WHO)                         a page that WHO may open
    "app:entity-action": Page(WHO, args="unit")            ... about a thing of the north depot (see `things` in the test)
    "app:entity-action": Page(WHO, post=True)              ... which also takes a form (an empty one is refused kindly)
    "app:entity-action": Page(WHO, get=False, post=True)   takes a form only

Who is not among WHO gets 403 (404 is accepted: one need not know of it); a stranger too; the unsigned go to sign-in.
`manager` is the manager of the depot the thing is in, `other_manager` of another depot.
"""

from dataclasses import dataclass

MEMBERS = frozenset({"manager", "other_manager", "dispatcher", "procurement", "viewer", "administrator"})
SIGNED_IN = MEMBERS | {"stranger"}
EVERYBODY = SIGNED_IN | {"unsigned"}
KEEPERS_HERE = frozenset({"manager", "administrator"})  # upkeep, units, sweeps and imports of this depot
KEEPERS = KEEPERS_HERE | {"other_manager"}  # ... of any depot
SENDERS_HERE = KEEPERS_HERE | {"dispatcher"}  # who writes down that a unit of this depot leaves and is back
STORES_HERE = KEEPERS_HERE | {"procurement"}
STORES = KEEPERS | {"procurement"}
BUYERS = frozenset({"procurement", "administrator"})
ALERTS_HERE = KEEPERS_HERE | {"procurement", "dispatcher"}
DISPATCH = frozenset({"dispatcher", "administrator"})
ADMINISTRATORS = frozenset({"administrator"})


@dataclass(frozen=True)
class Page:
    """`who` may use the address; `who_post` if fewer may send its form; `args` the thing it is about; `answers` to a GET."""

    who: frozenset[str]
    args: str = ""
    get: bool = True
    post: bool = False
    who_post: frozenset[str] | None = None
    answers: frozenset[int] = frozenset({200})


PAGES: dict[str, Page] = {
    # The site itself
    "healthz": Page(EVERYBODY, post=True),
    "login": Page(EVERYBODY, post=True, answers=frozenset({200, 302})),
    "logout": Page(SIGNED_IN, get=False, post=True),
    "fleet:preference-set": Page(SIGNED_IN, get=False, post=True),
    "fleet:settings": Page(SIGNED_IN, post=True),
    "fleet:transport-terms": Page(MEMBERS),
    "fleet:transport-terms-edit": Page(ADMINISTRATORS, post=True),
    "fleet:search": Page(MEMBERS),
    "fleet:attachment-list": Page(MEMBERS, "unit", post=True, who_post=KEEPERS_HERE),
    "fleet:attachment-download": Page(MEMBERS, "attachment"),
    "fleet:import-list": Page(KEEPERS, post=True),
    "fleet:import-template": Page(KEEPERS, "template"),
    "fleet:import-export": Page(KEEPERS, "export"),
    "fleet:import-show": Page(KEEPERS, "import_run"),
    "fleet:import-answer": Page(KEEPERS_HERE, "import_run", get=False, post=True),
    "fleet:import-apply": Page(KEEPERS_HERE, "import_run", get=False, post=True),
    "fleet:import-undo": Page(KEEPERS_HERE, "import_run", get=False, post=True),
    "fleet:import-stop": Page(KEEPERS_HERE, "import_run", get=False, post=True),
    "fleet:import-faults": Page(KEEPERS, "import_run"),
    # Every day
    "readiness:today-show": Page(MEMBERS),
    "readiness:horizon-show": Page(MEMBERS),
    "readiness:unit-list": Page(MEMBERS),
    "readiness:unit-show": Page(MEMBERS, "unit"),
    "readiness:unit-transport": Page(MEMBERS, "unit"),
    "readiness:transport-compare": Page(MEMBERS),
    "readiness:unit-transport-pdf": Page(MEMBERS, "unit"),
    "readiness:charging-choose": Page(MEMBERS, answers=frozenset({200, 302})),
    "readiness:charging-board": Page(MEMBERS, "depot"),
    "readiness:bay-calendar-feed": Page(EVERYBODY, "bay_calendar"),
    "readiness:bay-calendar": Page(KEEPERS_HERE, "depot", post=True),
    "readiness:bay-plan-compute": Page(KEEPERS_HERE, "depot", get=False, post=True),
    "readiness:bay-plan-list": Page(MEMBERS, "depot"),
    "readiness:bay-plan-show": Page(MEMBERS, "bay_plan"),
    "readiness:bay-plan-progress": Page(MEMBERS, "bay_plan"),
    "readiness:bay-plan-stop": Page(KEEPERS_HERE, "bay_plan", get=False, post=True),
    "readiness:bay-plan-publish": Page(KEEPERS_HERE, "bay_plan", get=False, post=True),
    "readiness:bay-plan-withdraw": Page(KEEPERS_HERE, "bay_plan", post=True),
    "readiness:bay-line-start": Page(KEEPERS_HERE, "bay_line", post=True),
    "readiness:bay-line-stop": Page(KEEPERS_HERE, "bay_line", post=True, answers=frozenset({200, 302})),
    "readiness:charging-settings": Page(MEMBERS, "depot"),
    "readiness:charging-how-many": Page(MEMBERS, "depot", post=True, who_post=KEEPERS_HERE),
    "readiness:charging-storage": Page(MEMBERS, "depot"),
    "readiness:charging-storage-edit": Page(KEEPERS_HERE, "kept_chemistry", post=True),
    "readiness:charging-bay-add": Page(KEEPERS_HERE, "depot", post=True),
    "readiness:charging-bay-edit": Page(KEEPERS_HERE, "bay", post=True),
    "readiness:charging-terms-edit": Page(KEEPERS_HERE, "depot", post=True),
    "readiness:charging-limit-edit": Page(KEEPERS_HERE, "depot", post=True),
    "readiness:charging-week-edit": Page(KEEPERS_HERE, "depot", post=True),
    "readiness:charging-week-take-back": Page(KEEPERS_HERE, "depot", post=True),
    "readiness:charging-day-add": Page(KEEPERS_HERE, "depot", post=True),
    "readiness:charging-day-remove": Page(KEEPERS_HERE, "odd_day", post=True),
    "readiness:charging-supply-add": Page(KEEPERS_HERE, "depot", post=True),
    "readiness:charging-setting-end": Page(KEEPERS_HERE, "setting", post=True),
    "readiness:charging-setting-reopen": Page(KEEPERS_HERE, "setting", post=True),
    "readiness:charging-setting-take-back": Page(KEEPERS_HERE, "setting", post=True),
    "readiness:transport-find": Page(MEMBERS),
    "readiness:transport-load": Page(MEMBERS),
    "readiness:transport-load-pdf": Page(MEMBERS, answers=frozenset({422})),  # asked for nothing
    "readiness:rules-list": Page(MEMBERS),
    "readiness:rules-load": Page(ADMINISTRATORS, post=True),
    "readiness:rules-template": Page(MEMBERS, "rule_table"),
    "readiness:rules-show": Page(MEMBERS, "rule_edition"),
    "readiness:rules-count": Page(DISPATCH, "rule_edition", get=False, post=True),
    "readiness:rules-release": Page(DISPATCH, "rule_edition", get=False, post=True),
    "readiness:rules-withdraw": Page(DISPATCH, "rule_edition", get=False, post=True),
    "readiness:unit-edit": Page(KEEPERS_HERE, "unit", post=True),
    # What people write down about a unit
    "readiness:unit-reading-record": Page(KEEPERS_HERE, "unit", post=True),
    "readiness:unit-charge-start": Page(KEEPERS_HERE, "unit", post=True, answers=frozenset({200, 302})),
    "readiness:unit-charge-stop": Page(KEEPERS_HERE, "unit", post=True),
    "readiness:unit-inspection-record": Page(KEEPERS_HERE, "unit", post=True),
    "readiness:unit-fault-record": Page(KEEPERS_HERE, "unit", post=True),
    "readiness:unit-fault-close": Page(KEEPERS_HERE, "unit", post=True),
    "readiness:unit-part-fit": Page(KEEPERS_HERE, "unit", post=True),
    "readiness:unit-part-remove": Page(KEEPERS_HERE, "unit", post=True),
    "readiness:unit-wet-record": Page(KEEPERS_HERE, "unit", post=True),
    "readiness:unit-connection-record": Page(KEEPERS_HERE, "unit", post=True),
    "readiness:unit-certificate-record": Page(KEEPERS_HERE, "unit", post=True),
    "readiness:unit-bank-test-record": Page(KEEPERS_HERE, "unit", post=True),
    "readiness:unit-weighing-record": Page(KEEPERS_HERE, "unit", post=True, answers=frozenset({200, 302})),
    "readiness:unit-modification-record": Page(KEEPERS_HERE, "unit", post=True),
    "readiness:unit-bank-swap": Page(KEEPERS_HERE, "unit", post=True, answers=frozenset({200, 302})),
    "readiness:unit-bank-remove": Page(KEEPERS_HERE, "unit", post=True),
    "readiness:unit-task-add": Page(KEEPERS_HERE, "unit", post=True),
    "readiness:unit-task-take": Page(KEEPERS_HERE, "unit", post=True, answers=frozenset({200, 302})),
    "readiness:unit-task-done": Page(KEEPERS_HERE, "unit", post=True, answers=frozenset({200, 302})),
    "readiness:unit-absence-start": Page(SENDERS_HERE, "unit", post=True),
    "readiness:unit-absence-end": Page(SENDERS_HERE, "unit", post=True, answers=frozenset({200, 302})),
    "readiness:unit-move": Page(KEEPERS_HERE, "unit", post=True),
    "readiness:unit-deployment-start": Page(SENDERS_HERE, "unit", post=True),
    "readiness:unit-day-log-record": Page(SENDERS_HERE, "unit", post=True, answers=frozenset({200, 302})),
    "readiness:unit-leg-record": Page(SENDERS_HERE, "unit", post=True, answers=frozenset({200, 302})),
    "readiness:unit-part-find": Page(KEEPERS_HERE, "unit", post=True, answers=frozenset({200, 302})),
    "readiness:unit-goods-show": Page(MEMBERS, "unit"),
    "readiness:unit-goods-line-add": Page(KEEPERS_HERE, "unit", post=True),
    "readiness:unit-goods-check-record": Page(KEEPERS_HERE, "unit", post=True, answers=frozenset({200, 302})),
    "readiness:unit-goods-list-confirm": Page(KEEPERS_HERE, "unit", post=True),
    "readiness:unit-measures-show": Page(MEMBERS, "unit"),
    "readiness:unit-measures-edit": Page(KEEPERS_HERE, "unit_form", post=True),
    "readiness:unit-measures-end": Page(KEEPERS_HERE, "unit_form", post=True),
    "readiness:logger-list": Page(MEMBERS),
    "readiness:logger-send": Page(KEEPERS, post=True),
    "readiness:logger-keys": Page(KEEPERS, post=True),
    "readiness:logger-key-revoke": Page(KEEPERS_HERE, "logger_key", post=True),
    "readiness:logger-post": Page(MEMBERS, "sample_post"),
    "readiness:logger-post-take-back": Page(KEEPERS_HERE, "sample_post", post=True),
    "readiness:logger-show": Page(MEMBERS, "logger"),
    "readiness:logger-edit": Page(KEEPERS_HERE, "logger", post=True),
    "readiness:bank-list": Page(MEMBERS),
    "readiness:back-test": Page(MEMBERS, post=True, who_post=KEEPERS),
    "readiness:bank-show": Page(MEMBERS, "bank"),
    "readiness:bank-reading-record": Page(KEEPERS_HERE, "bank", post=True),
    "readiness:bank-charge-start": Page(KEEPERS_HERE, "bank", post=True),
    "readiness:bank-charge-stop": Page(KEEPERS_HERE, "bank", post=True, answers=frozenset({200, 302})),
    "readiness:bank-block-in": Page(KEEPERS_HERE, "bank", post=True),
    "readiness:bank-block-out": Page(KEEPERS_HERE, "bank", post=True),
    "readiness:bank-charge-card": Page(MEMBERS, "bank"),
    "readiness:bank-charge-card-pdf": Page(MEMBERS, "bank"),
    "readiness:bank-charger-edit": Page(KEEPERS_HERE, "bank", post=True),
    "readiness:charging-room-edit": Page(KEEPERS_HERE, "depot", post=True),
    "readiness:bank-transport-edit": Page(KEEPERS_HERE, "bank", post=True),
    "readiness:record-strike": Page(KEEPERS_HERE, "record", post=True),
    "readiness:record-move": Page(KEEPERS_HERE, "record", post=True),
    # First weeks and hand-over
    "readiness:first-weeks": Page(MEMBERS),
    "readiness:survey-sheet": Page(MEMBERS),
    "readiness:survey-entry": Page(KEEPERS, post=True),
    "readiness:handover": Page(MEMBERS),
    # Alerts
    "readiness:sweep-list": Page(MEMBERS),
    "readiness:sweep-progress": Page(MEMBERS),
    "readiness:sweep-start": Page(KEEPERS, get=False, post=True),
    "readiness:sweep-stop": Page(KEEPERS_HERE, "sweep_job", get=False, post=True),
    "readiness:alert-list": Page(MEMBERS),
    "readiness:alert-take": Page(ALERTS_HERE, "alert", get=False, post=True),
    "readiness:alert-give-back": Page(ALERTS_HERE, "alert", get=False, post=True),
    "readiness:alert-acknowledge": Page(ALERTS_HERE, "alert", get=False, post=True),
    "readiness:alert-snooze": Page(ALERTS_HERE, "alert", get=False, post=True),
    "readiness:alert-wake": Page(ALERTS_HERE, "alert", get=False, post=True),
    # Stores
    "inventory:store-list": Page(MEMBERS),
    "readiness:outlook-show": Page(MEMBERS),
    "inventory:item-detail": Page(MEMBERS, "item"),
    "inventory:item-goods-list": Page(MEMBERS),
    "inventory:item-goods-edit": Page(
        STORES, "item", post=True, who_post=frozenset({"procurement", "administrator"})
    ),
    "inventory:lot-detail": Page(MEMBERS, "lot"),
    "inventory:movement-list": Page(MEMBERS),
    "inventory:movement-reverse": Page(STORES_HERE, "movement", post=True),
    "inventory:debt-list": Page(MEMBERS),
    "inventory:order-list": Page(MEMBERS),
    "inventory:order-expedite": Page(MEMBERS),
    "inventory:order-show": Page(MEMBERS, "order"),
    "inventory:order-new": Page(BUYERS, post=True),
    "inventory:order-change": Page(BUYERS, "order", post=True),
    "inventory:order-receive": Page(STORES_HERE, "order_line", post=True),
    **{
        f"inventory:order-{step}": Page(BUYERS, "order", post=True)
        for step in ("approve", "withdraw", "send", "confirm", "close", "cancel")
    },
    "inventory:supplier-list": Page(MEMBERS),
    "inventory:supplier-show": Page(MEMBERS, "supplier"),
    "inventory:unit-issue": Page(STORES_HERE, "unit", post=True),
    "inventory:part-take": Page(KEEPERS_HERE, "unit", post=True),
    "inventory:stock-receive": Page(STORES, post=True),
    "inventory:stock-receive-more": Page(STORES, "lot", post=True),
    "inventory:stock-issue": Page(STORES_HERE, "lot", post=True),
    "inventory:stock-return": Page(STORES_HERE, "lot", post=True),
    "inventory:stock-transfer": Page(STORES_HERE, "lot", post=True),
    "inventory:stock-use": Page(STORES_HERE, "lot", post=True),
    "inventory:stock-count": Page(STORES_HERE, "lot", post=True),
    "inventory:stock-scrap": Page(STORES_HERE, "lot", post=True),
    "inventory:lot-edit": Page(STORES_HERE, "lot", post=True),
    "inventory:lot-quarantine": Page(STORES_HERE, "lot", post=True),
    "inventory:lot-recall": Page(STORES_HERE, "lot", post=True),
    "inventory:lot-label": Page(MEMBERS, "lot"),
    "inventory:place-labels": Page(MEMBERS, "depot"),
    "inventory:recall-show": Page(MEMBERS, post=True, who_post=STORES),
    "inventory:lot-extend": Page(STORES_HERE, "lot", post=True),
    "inventory:lot-extension-withdraw": Page(STORES_HERE, "extension", post=True),
    "inventory:lot-release": Page(STORES_HERE, "lot", post=True),
}
