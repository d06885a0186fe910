//! Dates of the proleptic Gregorian calendar as seconds since 1970, without a clock and without time zones.

/// Seconds of a day, leap seconds not counted.
pub const SECONDS_PER_DAY: i64 = 86_400;

/// A date and a time of day. Every field is in its ordinary range (month and day from 1).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Civil {
    /// Year, 1…9999.
    pub year: i64,
    /// Month, 1…12.
    pub month: i64,
    /// Day of the month, 1…31.
    pub day: i64,
    /// Hour, 0…23.
    pub hour: i64,
    /// Minute, 0…59.
    pub minute: i64,
    /// Second, 0…59.
    pub second: i64,
}

impl Civil {
    /// Seconds since 1970-01-01 00:00:00 in the same zone, or `None` when a field is out of its range (the
    /// 30th of February included).
    pub fn unix_seconds(&self) -> Option<i64> {
        let in_range = (1..=9999).contains(&self.year)
            && (1..=12).contains(&self.month)
            && self.day >= 1
            && self.day <= days_in_month(self.year, self.month)
            && (0..24).contains(&self.hour)
            && (0..60).contains(&self.minute)
            && (0..60).contains(&self.second);
        in_range.then(|| {
            days_from_civil(self.year, self.month, self.day) * SECONDS_PER_DAY
                + self.hour * 3600
                + self.minute * 60
                + self.second
        })
    }

    /// The date and time that lie `seconds` after 1970-01-01 00:00:00.
    pub fn from_unix_seconds(seconds: i64) -> Self {
        let days = seconds.div_euclid(SECONDS_PER_DAY);
        let rest = seconds.rem_euclid(SECONDS_PER_DAY);
        // Years run from March here, so that the leap day is the last day of the year.
        let shifted = days + 719_468;
        let era = shifted.div_euclid(146_097);
        let day_of_era = shifted.rem_euclid(146_097);
        let year_of_era = (day_of_era - day_of_era / 1460 + day_of_era / 36_524 - day_of_era / 146_096) / 365;
        let day_of_year = day_of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
        let month_from_march = (5 * day_of_year + 2) / 153;
        let month = if month_from_march < 10 { month_from_march + 3 } else { month_from_march - 9 };
        Self {
            year: year_of_era + era * 400 + i64::from(month <= 2),
            month,
            day: day_of_year - (153 * month_from_march + 2) / 5 + 1,
            hour: rest / 3600,
            minute: rest / 60 % 60,
            second: rest % 60,
        }
    }
}

fn is_leap(year: i64) -> bool {
    (year % 4 == 0 && year % 100 != 0) || year % 400 == 0
}

fn days_in_month(year: i64, month: i64) -> i64 {
    match month {
        4 | 6 | 9 | 11 => 30,
        2 if is_leap(year) => 29,
        2 => 28,
        _ => 31,
    }
}

fn days_from_civil(year: i64, month: i64, day: i64) -> i64 {
    let year = year - i64::from(month <= 2);
    let era = year.div_euclid(400);
    let year_of_era = year.rem_euclid(400);
    let month_from_march = (month + 9) % 12;
    let day_of_year = (153 * month_from_march + 2) / 5 + day - 1;
    era * 146_097 + year_of_era * 365 + year_of_era / 4 - year_of_era / 100 + day_of_year - 719_468
}

#[cfg(test)]
mod tests {
    use super::*;

    fn civil(year: i64, month: i64, day: i64) -> Civil {
        Civil { year, month, day, hour: 0, minute: 0, second: 0 }
    }

    #[test]
    fn known_days() {
        assert_eq!(civil(1970, 1, 1).unix_seconds(), Some(0));
        // POSIX: 2000-03-01 is day 11017.
        assert_eq!(civil(2000, 3, 1).unix_seconds(), Some(11_017 * SECONDS_PER_DAY));
        assert_eq!(civil(2038, 1, 19).unix_seconds(), Some(2_147_472_000));
        assert_eq!(civil(2023, 2, 29).unix_seconds(), None);
        assert_eq!(civil(2024, 2, 30).unix_seconds(), None);
        assert_eq!(civil(2024, 13, 1).unix_seconds(), None);
    }

    #[test]
    fn every_day_of_eight_centuries_returns() {
        let mut expected = civil(1601, 1, 1);
        let mut seconds = expected.unix_seconds().unwrap() + 12_345;
        for _ in 0..292_194 {
            let found = Civil::from_unix_seconds(seconds);
            assert_eq!((found.year, found.month, found.day), (expected.year, expected.month, expected.day));
            assert_eq!(found.unix_seconds(), Some(seconds));
            seconds += SECONDS_PER_DAY;
            expected.day += 1;
            if expected.day > days_in_month(expected.year, expected.month) {
                expected.day = 1;
                expected.month += 1;
            }
            if expected.month > 12 {
                expected.month = 1;
                expected.year += 1;
            }
        }
    }
}
