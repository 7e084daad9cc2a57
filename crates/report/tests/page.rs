//! What must hold of every report, whatever the night.

#[allow(dead_code, reason = "each test file uses its own part")]
mod larkmoor;

use metersift_report::{DAILY_COLUMNS, html, write_xlsx};

fn report(night: &larkmoor::Night) -> String {
    html(&night.input())
}

#[test]
fn nothing_is_loaded_and_nothing_runs() {
    let page = report(&larkmoor::night()).to_lowercase();
    for forbidden in ["http:", "https:", "<script", "<img", "<link", "<iframe", "url(//", "@import"]
    {
        assert!(!page.contains(forbidden), "{forbidden}");
    }
    assert!(page.contains("default-src 'none'"));
    // Every `url(` and `href` stays inside the page.
    for (index, _) in page.match_indices("href=\"") {
        assert!(page[index..].starts_with("href=\"#"), "{}", &page[index..index + 40]);
    }
    for (index, _) in page.match_indices("url(") {
        assert!(page[index..].starts_with("url(#"));
    }
    // No attribute that could run anything: the hostile name is text.
    assert!(!page.contains(" onclick=x>&\""));
}

#[test]
fn a_hostile_meter_name_is_text_wherever_it_stands() {
    let page = report(&larkmoor::night());
    assert!(!page.contains("<b onclick"));
    assert!(page.contains("&lt;b onclick=x&gt;&amp;&quot;'FT=1"));
}

#[test]
fn forbidden_words_are_nowhere() {
    let page = report(&larkmoor::night()).to_lowercase();
    let words: Vec<&str> = page.split(|c: char| !c.is_alphanumeric()).collect();
    for forbidden in ["healthy", "safe", "certified", "certify"] {
        assert!(!words.contains(&forbidden), "{forbidden}");
    }
}

#[test]
fn every_output_names_run_configuration_and_ledger() {
    let night = larkmoor::night();
    let page = report(&night);
    for name in [&night.card.run, &night.card.config_hash, &night.card.ledger] {
        assert!(page.contains(name.as_str()), "{name}");
    }
    let first = page.find("13 meters: 11 judged, 1 young, 1 not judged");
    assert!(first.is_some_and(|at| at < page.find("<main").expect("a main part")));
}

#[test]
fn every_listed_meter_has_a_section_and_every_link_a_target() {
    let night = larkmoor::night();
    let page = report(&night);
    let sections = page.matches("class=\"meter\"").count();
    // Eight lone meters (one of them on the list of gas), two of a common cause.
    assert_eq!(sections, 10);
    for (index, _) in page.match_indices("href=\"#") {
        let target = page[index + 7..].split('"').next().unwrap_or_default();
        assert!(page.contains(&format!("id=\"{target}\"")), "{target}");
    }
}

#[test]
fn tags_are_closed_in_the_order_in_which_they_were_opened() {
    const VOID: [&str; 2] = ["meta", "!DOCTYPE"];
    let page = report(&larkmoor::night());
    let style = page.find("<style>").expect("a style");
    let end = page.find("</style>").expect("its end");
    let body = format!("{}{}", &page[..style + 7], &page[end..]);
    let mut open: Vec<String> = Vec::new();
    for piece in body.split('<').skip(1) {
        let name: String = piece.chars().take_while(|c| !c.is_whitespace() && *c != '>').collect();
        if let Some(closed) = name.strip_prefix('/') {
            assert_eq!(open.pop().as_deref(), Some(closed));
        } else if !VOID.contains(&name.as_str()) {
            open.push(name);
        }
    }
    assert!(open.is_empty(), "{open:?}");
}

#[test]
fn pictures_need_no_other_daily_column_than_those_that_are_named() {
    let mut night = larkmoor::night();
    let whole = report(&night);
    let needed = |name: &str| ["meter", "day"].contains(&name) || DAILY_COLUMNS.contains(&name);
    night.daily.columns.retain(|column| needed(&column.name));
    assert!(report(&night) == whole);
    // Each of them makes a difference here, but those that this night has no values of.
    for name in DAILY_COLUMNS {
        let mut without = larkmoor::night();
        without.daily.columns.retain(|column| column.name != name);
        let absent = ["hours_flowing", "density_residual_kg_m3", "drive_gain_resolution"];
        assert!(absent.contains(&name) || report(&without) != whole, "{name}");
    }
}

/// One of the two features handed in is drawn: it is told, with its formula and what a gap means.
#[test]
fn what_is_drawn_is_explained_at_the_foot() {
    let page = report(&larkmoor::night());
    let foot = page.split("<footer>").nth(1).expect("a foot");
    for text in ["gas_share", "time in gas episodes / flowing time", "not looked for"] {
        assert!(foot.contains(text), "{text}");
    }
    assert!(!foot.contains("mass_kg"));
}

#[test]
fn the_same_night_gives_the_same_bytes() {
    assert_eq!(report(&larkmoor::night()), report(&larkmoor::night()));
    let book = || {
        let night = larkmoor::night();
        let mut bytes = Vec::new();
        write_xlsx(&night.lists, Some(&night.since), "Larkmoor Works", &mut bytes, &night.card)
            .expect("memory");
        bytes
    };
    assert_eq!(book(), book());
}

#[test]
fn a_listed_meter_costs_at_most_25_kb_and_300_of_them_5_mb() {
    let night = larkmoor::night();
    let page = report(&night);
    for section in page.split("class=\"meter\"").skip(1) {
        let length = section.find("</section>").unwrap_or(section.len());
        assert!(length <= 25_000, "{length} bytes");
    }
    let head = page.find("class=\"meter\"").unwrap_or(0);
    assert!(head < 60_000, "fleet part of this small night: {head} bytes");
    let big = larkmoor::night_of(300);
    let page = report(&big);
    assert_eq!(page.matches("class=\"meter\"").count(), 300);
    assert!(page.len() < 5_000_000, "{} bytes for 300 listed meters", page.len());
}

#[test]
fn a_night_without_anything_still_makes_a_page() {
    let mut night = larkmoor::night();
    night.verdicts.clear();
    night.lists.entries.clear();
    night.lists.withheld.clear();
    night.lists.not_judged.clear();
    night.daily = metersift_model::Table::default();
    night.records = metersift_model::Records::default();
    let page = report(&night);
    assert!(page.ends_with("</html>") && page.contains("0 meters have no entry"));
}
