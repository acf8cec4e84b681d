"""The phone shows the decimal sign that its person chose, and reads both."""

from playwright.sync_api import expect

COMMA = "from buildlog.models import Account; Account.objects.update(decimal_sign=',')"


def test_numbers_have_the_comma_that_was_chosen_and_both_are_read(installation, phone):
    page = phone.page
    phone.start_session()
    installation.run("shell", "--verbosity=0", "-c", COMMA)
    phone.open()
    # The page opens with what is on the phone, and asks the server meanwhile.
    page.wait_for_function("async () => (await globalThis.module('outing')).reference.data.decimal_sign === ','")
    phone.to("Reading")
    voltage = page.get_by_role("textbox", name="Voltage")
    voltage.fill("4x")
    page.get_by_role("button", name="Save reading").click()
    expect(page.locator("#in-voltage_v-wrong")).to_contain_text("for example 50,4 V")
    voltage.fill("52.3")
    page.get_by_role("textbox", name="Charge used so far").fill("3,7")
    page.get_by_role("button", name="Save reading").click()
    phone.to("Reading")
    expect(page.locator("main, #field").first).to_contain_text("52,3 V")
    expect(page.locator("main, #field").first).to_contain_text("3,7 Ah")
    # A step up begins at what is shown.
    page.get_by_role("button", name="Voltage: one step up from", exact=False).click()
    expect(voltage).to_have_value("52,4")
    outing = page.evaluate("async () => (await globalThis.module('outing')).current()")
    assert [outing["readings"][-1][name] for name in ("voltage_v", "charge_used_ah")] == [52.3, 3.7]
    assert phone.errors == []
