//! Temporary.
use crate::message::Message;
use metersift_model::{Day, Table};
use metersift_store::{Store, StoreError};
pub trait StoreGap {
    fn write_hours(&self, day: Day, bucket: u32, t: &Table, key: &str) -> Result<(), StoreError>;
    fn read_hours(&self, from: Day, until: Day) -> Result<Table, StoreError>;
}
impl StoreGap for Store {
    fn write_hours(&self, day: Day, bucket: u32, t: &Table, key: &str) -> Result<(), StoreError> {
        let dir = self.root().join(format!("hours/day={day}"));
        let _ = std::fs::create_dir_all(&dir);
        let meta = [("metersift.inputs".to_string(), key.to_string())].into();
        metersift_store::write_table(&dir.join(format!("bucket={bucket:02}.parquet")), t, &meta)
    }
    fn read_hours(&self, from: Day, until: Day) -> Result<Table, StoreError> {
        let mut all = Table::default();
        let mut day = from;
        while day < until {
            for bucket in 0..self.bucket_count() {
                let path = self.root().join(format!("hours/day={day}/bucket={bucket:02}.parquet"));
                if path.exists() {
                    let t = metersift_store::read_table(&path)?.0;
                    all = if all.columns.is_empty() {
                        t
                    } else {
                        super::splice::splice(&all, t, |_| true)
                    };
                }
            }
            day = day.plus(1);
        }
        Ok(all)
    }
}
#[expect(dead_code)]
fn unused(_: Message) {}
