use rusqlite::Row;
use settlepoint_domain::{FanSetting, Id, LimitValue, Setting, Tier};

use crate::codec::{SqlId, SqlLimit, count, finite, id_at, limit_at};
use crate::entities::PACKAGE;
use crate::names::Kind;
use crate::{Notebook, NotebookError, new_id};

/// A setting's name with its limits; today's domain type speaks of the package's alone.
const SETTING: &str = "SELECT * FROM settings JOIN setting_limits \
    ON setting_limits.setting = settings.id AND part_name = 'package'";

impl Notebook {
    /// Adds a setting.
    ///
    /// # Errors
    /// [`NotebookError::Setting`] for a number that cannot be a limit;
    /// [`NotebookError::Invalid`]; [`NotebookError::DuplicateId`].
    pub fn add_setting(&self, setting: &Setting) -> Result<(), NotebookError> {
        setting.check()?;
        self.transaction(|book| {
            book.require_new(Kind::Setting, setting.id)?;
            book.insert_setting_row(setting)?;
            book.insert_limits(setting)?;
            book.insert_fan_points(setting)
        })
    }

    fn insert_setting_row(&self, setting: &Setting) -> Result<(), NotebookError> {
        let (kind, rpm) = match &setting.fan {
            FanSetting::AsFitted => ("as_fitted", None),
            FanSetting::Ceiling(rpm) => ("ceiling", Some(finite("fan_ceiling_rpm", *rpm)?)),
            FanSetting::Fixed(rpm) => ("fixed", Some(finite("fan_speed_rpm", *rpm)?)),
            FanSetting::Curve(_) => ("curve", None),
        };
        self.connection.execute(
            "INSERT INTO settings (id, name, fan_kind, fan_rpm) VALUES (?1, ?2, ?3, ?4)",
            (SqlId(setting.id), &setting.name, kind, rpm),
        )?;
        Ok(())
    }

    fn insert_limits(&self, setting: &Setting) -> Result<(), NotebookError> {
        self.connection.execute(
            "INSERT INTO setting_limits (setting, part_name, pl1_w, pl2_w, tau_s, temp_limit_c) \
             VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
            (
                SqlId(setting.id),
                PACKAGE,
                SqlLimit(setting.pl1_w),
                SqlLimit(setting.pl2_w),
                SqlLimit(setting.tau_s),
                SqlLimit(setting.temp_limit_c),
            ),
        )?;
        for (position, tier) in setting.more_tiers.iter().enumerate() {
            self.connection.execute(
                "INSERT INTO setting_tiers (setting, part_name, position, limit_w, window_s) \
                 VALUES (?1, ?2, ?3, ?4, ?5)",
                (
                    SqlId(setting.id),
                    PACKAGE,
                    count("tiers", position)?,
                    tier.limit_w,
                    tier.window_s,
                ),
            )?;
        }
        Ok(())
    }

    fn insert_fan_points(&self, setting: &Setting) -> Result<(), NotebookError> {
        let FanSetting::Curve(points) = &setting.fan else {
            return Ok(());
        };
        for (position, (temp_c, speed_rpm)) in points.iter().enumerate() {
            self.connection.execute(
                "INSERT INTO setting_fan_points (setting, position, temp_c, fan_speed_rpm) \
                 VALUES (?1, ?2, ?3, ?4)",
                (
                    SqlId(setting.id),
                    count("fan points", position)?,
                    finite("fan curve temp_c", *temp_c)?,
                    finite("fan curve fan_speed_rpm", *speed_rpm)?,
                ),
            )?;
        }
        Ok(())
    }

    /// All settings, in order of entry.
    ///
    /// # Errors
    /// The database's own.
    pub fn settings(&self) -> Result<Vec<Setting>, NotebookError> {
        let sql = format!("{SETTING} ORDER BY seq");
        self.list(&sql, [], |row| self.read_setting(row))
    }

    /// The setting with this id.
    ///
    /// # Errors
    /// [`NotebookError::UnknownId`].
    pub fn setting(&self, id: Id) -> Result<Setting, NotebookError> {
        let sql = format!("{SETTING} WHERE id = ?1");
        let found = self.list(&sql, [SqlId(id)], |row| self.read_setting(row))?;
        found
            .into_iter()
            .next()
            .ok_or_else(|| crate::names::unknown(Kind::Setting, id))
    }

    /// The setting that says the same as `template` under the same name if there is one, else
    /// `template` itself, added. Equal names with other numbers are different settings.
    ///
    /// # Errors
    /// As [`Notebook::add_setting`].
    pub fn setting_like(&self, template: &Setting) -> Result<Setting, NotebookError> {
        self.transaction(|book| {
            let sql = format!("{SETTING} WHERE name = ?1 ORDER BY seq");
            let named = book.list(&sql, [&template.name], |row| book.read_setting(row))?;
            let same = |kept: &Setting| {
                Setting {
                    id: template.id,
                    ..kept.clone()
                } == *template
            };
            if let Some(found) = named.into_iter().find(same) {
                return Ok(found);
            }
            book.add_setting(template)?;
            Ok(template.clone())
        })
    }

    /// The setting with this name (or id), made with every limit unknown and the fans as the
    /// machine drives them if there is none.
    ///
    /// # Errors
    /// [`NotebookError::AmbiguousName`]; the database's own.
    pub fn setting_named(&self, name: &str) -> Result<Setting, NotebookError> {
        self.transaction(|book| {
            if let Some(id) = book.find(Kind::Setting, name)? {
                return book.setting(id);
            }
            let setting = Setting {
                id: new_id()?,
                name: name.to_owned(),
                pl1_w: LimitValue::Unknown,
                pl2_w: LimitValue::Unknown,
                tau_s: LimitValue::Unknown,
                temp_limit_c: LimitValue::Unknown,
                more_tiers: Vec::new(),
                fan: FanSetting::AsFitted,
            };
            book.add_setting(&setting)?;
            Ok(setting)
        })
    }

    fn read_setting(&self, row: &Row<'_>) -> Result<Setting, NotebookError> {
        let id = id_at(row, "id")?;
        Ok(Setting {
            id,
            name: row.get("name")?,
            pl1_w: limit_at(row, "pl1_w")?,
            pl2_w: limit_at(row, "pl2_w")?,
            tau_s: limit_at(row, "tau_s")?,
            temp_limit_c: limit_at(row, "temp_limit_c")?,
            more_tiers: self.tiers(id)?,
            fan: self.read_fan(id, row)?,
        })
    }

    fn tiers(&self, setting: Id) -> Result<Vec<Tier>, NotebookError> {
        let sql = "SELECT limit_w, window_s FROM setting_tiers \
                   WHERE setting = ?1 AND part_name = 'package' ORDER BY position";
        self.list(sql, [SqlId(setting)], |row| {
            Ok(Tier {
                limit_w: row.get(0)?,
                window_s: row.get(1)?,
            })
        })
    }

    fn read_fan(&self, setting: Id, row: &Row<'_>) -> Result<FanSetting, NotebookError> {
        let kind: String = row.get("fan_kind")?;
        match kind.as_str() {
            "as_fitted" => Ok(FanSetting::AsFitted),
            "ceiling" => Ok(FanSetting::Ceiling(row.get("fan_rpm")?)),
            "fixed" => Ok(FanSetting::Fixed(row.get("fan_rpm")?)),
            "curve" => self.fan_points(setting).map(FanSetting::Curve),
            other => Err(NotebookError::corrupt(format!(
                "'{other}' is no way to drive a fan"
            ))),
        }
    }

    fn fan_points(&self, setting: Id) -> Result<Vec<(f64, f64)>, NotebookError> {
        let sql = "SELECT temp_c, fan_speed_rpm FROM setting_fan_points \
                   WHERE setting = ?1 ORDER BY position";
        self.list(sql, [SqlId(setting)], |row| Ok((row.get(0)?, row.get(1)?)))
    }
}
