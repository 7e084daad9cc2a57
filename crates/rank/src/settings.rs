//! What a site can say about its lists. Every number is a judgement of ours until the site's own
//! findings say better; each carries its reason.

use crate::error::RankError;
use metersift_model::{Day, ListKind};
use serde::{Deserialize, Serialize};

/// Settings of `[rank]` in the site file; every key is optional.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Settings {
    /// Largest share of a list's entries that may be expected to be false. One wrong pull in
    /// five is what a crew bears before it stops reading.
    pub budget: f64,
    /// Days between two rounds of the crew: what "waiting" means.
    pub round_days: f64,
    /// No entry below this probability, however good its neighbours: a list that is right on
    /// average must not carry an entry that is more likely wrong than right.
    pub smallest_probability: f64,
    /// An entry this probable comes up on its first night: the second would cost lead and settle
    /// nothing.
    pub at_once_probability: f64,
    /// Nights above the entry odds that an entry needs, of the last `of_nights`.
    pub enter_nights: u32,
    /// Judged nights looked at for entering, tonight included.
    pub of_nights: u32,
    /// An entry leaves below this share of the entry odds ...
    pub leave_odds_share: f64,
    /// ... on every judged night of this many days.
    pub leave_days: u32,
    /// Earlier nights older than this many days have no say.
    pub memory_days: u32,
    /// Weight of criticality 1 to 5, where no money is known.
    pub criticality_weights: [f64; 5],
    /// An error counts up to this many times the tolerable one.
    pub error_cap: f64,
    /// Chance of a fault that a check would see, from which a check is proposed.
    pub check_probability: f64,
    /// Checks proposed for risk per night, at most: a check costs minutes, not a shutdown.
    pub check_slots: usize,
    /// Chance that the action of a list cures what it finds.
    pub cure: PerList,
    /// Money, where the site knows it.
    pub money: Money,
    /// Days of the list's own record.
    pub record_days: u32,
    /// Days that an acceptance without a last day holds.
    pub accept_days: u32,
    /// Days that a meter found good is left alone, unless it worsens.
    pub found_good_days: u32,
    /// Days without a verdict after which a meter is an entry of its own.
    pub unjudged_days: u32,
    /// An as-found zero older than this many days says nothing about tonight.
    pub as_found_days: u32,
    /// A cause other than the zero must be less likely than this before a re-zero is a thought.
    pub other_cause_probability: f64,
}

/// What the crew that checks can do: `[plan]` of the site file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Crew {
    /// Days to plan, the as-of date being the first.
    pub days: u32,
    /// Checks a working day, at most; left out: the fewest with which all candidates fit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub per_day: Option<u32>,
    /// Weekdays on which somebody checks.
    pub weekdays: Vec<Weekday>,
    /// First local hour of the day in which a check may begin ...
    pub from_hour: u8,
    /// ... and the hour by which the last one has ended.
    pub until_hour: u8,
    /// An hour is proposed when at least this share of its kind ran full, steady and
    /// single-phase: two aborted checks in ten are what a crew bears.
    pub good_hour_share: f64,
    /// Weeks looked back on for good hours: eight hours of each kind, and one season.
    pub weeks: u32,
}

/// A day of the week.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Weekday {
    /// Monday.
    Mon,
    /// Tuesday.
    Tue,
    /// Wednesday.
    Wed,
    /// Thursday.
    Thu,
    /// Friday.
    Fri,
    /// Saturday.
    Sat,
    /// Sunday.
    Sun,
}

impl Weekday {
    const ALL: [Weekday; 7] = [
        Weekday::Mon,
        Weekday::Tue,
        Weekday::Wed,
        Weekday::Thu,
        Weekday::Fri,
        Weekday::Sat,
        Weekday::Sun,
    ];
}

impl Default for Crew {
    fn default() -> Crew {
        Crew {
            days: 28,
            per_day: None,
            weekdays: Weekday::ALL.to_vec(),
            from_hour: 7,
            until_hour: 17,
            good_hour_share: 0.8,
            weeks: 8,
        }
    }
}

impl Crew {
    /// Whether somebody checks on a day.
    pub fn works_on(&self, day: Day) -> bool {
        let number = day.civil().weekday().to_monday_zero_offset() as usize;
        self.weekdays.contains(&Weekday::ALL[number])
    }

    /// Refuses numbers that make no sense.
    ///
    /// # Errors
    /// The first key that is out of its range.
    pub fn check(&self) -> Result<(), RankError> {
        let plan = |inside, key, value, must| {
            if inside { Ok(()) } else { Err(RankError::PlanSetting { key, value, must }) }
        };
        let days = f64::from(self.days);
        plan((1..=366).contains(&self.days), "days", days, "from 1 to 366")?;
        let per_day = self.per_day.unwrap_or(1);
        plan((1..=1000).contains(&per_day), "per_day", f64::from(per_day), "from 1 to 1000")?;
        let (from, until) = (self.from_hour, self.until_hour);
        plan(until <= 24, "until_hour", f64::from(until), "at most 24")?;
        plan(from < until, "from_hour", f64::from(from), "before `until_hour`")?;
        let share = self.good_hour_share;
        plan(share > 0.0 && share <= 1.0, "good_hour_share", share, "above 0 and at most 1")?;
        plan((1..=104).contains(&self.weeks), "weeks", f64::from(self.weeks), "from 1 to 104")?;
        plan(!self.weekdays.is_empty(), "weekdays", 0.0, "at least one day")
    }
}

/// One number per list.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct PerList {
    /// Pull or open up.
    pub pull: f64,
    /// Clean.
    pub clean: f64,
    /// Check now.
    pub check_now: f64,
    /// Take an as-found zero.
    pub re_zero: f64,
    /// Gas in the process.
    pub gas: f64,
    /// Electrical.
    pub electrical: f64,
    /// Mend the data.
    pub mend_data: f64,
    /// Unexplained.
    pub unexplained: f64,
}

impl PerList {
    /// The number of a list.
    pub fn of(&self, list: ListKind) -> f64 {
        match list {
            ListKind::Pull => self.pull,
            ListKind::Clean => self.clean,
            ListKind::CheckNow => self.check_now,
            ListKind::ReZero => self.re_zero,
            ListKind::Gas => self.gas,
            ListKind::Electrical => self.electrical,
            ListKind::MendData => self.mend_data,
            ListKind::Unexplained => self.unexplained,
        }
    }
}

/// Zero for every list: the default of costs that a site has not told.
impl Default for PerList {
    fn default() -> PerList {
        PerList {
            pull: 0.0,
            clean: 0.0,
            check_now: 0.0,
            re_zero: 0.0,
            gas: 0.0,
            electrical: 0.0,
            mend_data: 0.0,
            unexplained: 0.0,
        }
    }
}

/// Money. Used for meters whose register row tells a worth per kilogram; costs that the site has
/// not told are zero and not invented.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Money {
    /// Name of the money, for headings.
    pub currency: String,
    /// What passing a limit costs (a claim, a lost batch, an unplanned stop).
    pub limit_cost: f64,
    /// What the action of each list costs.
    pub action_cost: PerList,
}

impl Default for Money {
    fn default() -> Money {
        Money { currency: "money".into(), limit_cost: 0.0, action_cost: PerList::default() }
    }
}

impl Default for Settings {
    fn default() -> Settings {
        Settings {
            budget: 0.2,
            round_days: 7.0,
            smallest_probability: 0.5,
            at_once_probability: 0.9,
            enter_nights: 2,
            of_nights: 3,
            leave_odds_share: 0.5,
            leave_days: 7,
            memory_days: 21,
            criticality_weights: [1.0, 2.0, 4.0, 8.0, 16.0],
            error_cap: 3.0,
            check_probability: 0.25,
            check_slots: 10,
            cure: PerList {
                pull: 0.95,
                clean: 0.85,
                check_now: 0.3,
                re_zero: 0.8,
                gas: 0.5,
                electrical: 0.8,
                mend_data: 0.9,
                unexplained: 0.3,
            },
            money: Money::default(),
            record_days: 90,
            accept_days: 30,
            found_good_days: 90,
            unjudged_days: 30,
            as_found_days: 30,
            other_cause_probability: 0.05,
        }
    }
}

impl Settings {
    /// Refuses numbers that make no sense.
    ///
    /// # Errors
    /// The first key that is out of its range.
    pub fn check(&self) -> Result<(), RankError> {
        let share = |key, value: f64| {
            let inside = value > 0.0 && value <= 1.0;
            within(inside, key, value, "above 0 and at most 1")
        };
        share("budget", self.budget)?;
        share("smallest_probability", self.smallest_probability)?;
        share("at_once_probability", self.at_once_probability)?;
        share("leave_odds_share", self.leave_odds_share)?;
        share("check_probability", self.check_probability)?;
        share("other_cause_probability", self.other_cause_probability)?;
        within(self.round_days > 0.0, "round_days", self.round_days, "above 0")?;
        within(self.error_cap > 0.0, "error_cap", self.error_cap, "above 0")?;
        let nights = self.enter_nights >= 1 && self.enter_nights <= self.of_nights;
        within(nights, "enter_nights", f64::from(self.enter_nights), "from 1 to `of_nights`")?;
        for weight in self.criticality_weights {
            within(weight >= 0.0, "criticality_weights", weight, "at least 0")?;
        }
        for list in ListKind::ALL {
            let cure = self.cure.of(list);
            within((0.0..=1.0).contains(&cure), "cure", cure, "from 0 to 1")?;
            let cost = self.money.action_cost.of(list);
            within(cost >= 0.0, "money.action_cost", cost, "at least 0")?;
        }
        let limit_cost = self.money.limit_cost;
        within(limit_cost >= 0.0, "money.limit_cost", limit_cost, "at least 0")
    }
}

fn within(
    inside: bool,
    key: &'static str,
    value: f64,
    must: &'static str,
) -> Result<(), RankError> {
    if inside { Ok(()) } else { Err(RankError::Setting { key, value, must }) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_empty_table_gives_the_defaults_and_an_unknown_key_is_refused() {
        let settings: Settings = toml::from_str("").expect("empty");
        assert_eq!(settings, Settings::default());
        assert_eq!(settings.check(), Ok(()));
        let partly: Settings =
            toml::from_str("budget = 0.1\n[money.action_cost]\npull = 900.0").expect("some keys");
        assert_eq!((partly.budget, partly.money.action_cost.pull), (0.1, 900.0));
        assert!(toml::from_str::<Settings>("bugdet = 0.1").is_err());
    }

    #[test]
    fn a_crew_that_never_works_is_refused_and_weekends_are_known() {
        assert_eq!(Crew::default().check(), Ok(()));
        let weekdays: Crew =
            toml::from_str(r#"weekdays = ["mon", "tue", "wed", "thu", "fri"]"#).expect("days");
        let day = |text: &str| Day::parse(text).expect("a day");
        // 2026-03-14 was a Saturday.
        assert!(!weekdays.works_on(day("2026-03-14")) && weekdays.works_on(day("2026-03-16")));
        for text in ["weekdays = []", "days = 0", "from_hour = 17", "good_hour_share = nan"] {
            let crew: Crew = toml::from_str(text).expect("known keys");
            assert!(crew.check().is_err(), "{text}");
        }
        assert!(toml::from_str::<Crew>(r#"weekdays = ["monday"]"#).is_err());
    }

    #[test]
    fn a_budget_of_nothing_or_nan_is_refused_by_name() {
        for budget in [0.0, -1.0, 1.5, f64::NAN] {
            let error = Settings { budget, ..Settings::default() }.check().expect_err("budget");
            assert!(error.to_string().contains("`budget`"), "{error}");
        }
    }
}
