//! The body of one file: long by tag, long by time, or wide.

use super::*;

pub(super) enum PageError {
    Io(std::io::Error),
    Sim(SimError),
}

impl From<std::io::Error> for PageError {
    fn from(e: std::io::Error) -> PageError {
        PageError::Io(e)
    }
}

pub(super) struct Page<'a> {
    pub(super) site: &'a Site,
    pub(super) job: &'a FileJob,
    pub(super) sink: &'a mut Sink,
    pub(super) text: Vec<u8>,
    pub(super) readings: u64,
}

/// A tag of a file, with everything a row needs.
pub(super) struct Lane {
    pub(super) meter: usize,
    pub(super) slot: usize,
    pub(super) tag: String,
    /// Name of the tag from an instant on, where the historian renamed it.
    pub(super) renamed: Option<(i64, String)>,
    /// Tag units in one storage unit.
    pub(super) scale: f64,
    pub(super) decimals: usize,
}

impl Lane {
    pub(super) fn tag_at(&self, ms: i64) -> &str {
        match &self.renamed {
            Some((from_ms, tag)) if ms >= *from_ms => tag,
            _ => &self.tag,
        }
    }
}

impl Page<'_> {
    pub(super) fn lanes(&self) -> Vec<Lane> {
        let source = &SOURCES[self.job.source];
        let mut lanes = Vec::new();
        for (index, meter) in self.site.meters.iter().enumerate() {
            if !belongs(self.site, meter, self.job.source, self.job.unit) {
                continue;
            }
            for tag in &meter.tags {
                lanes.push(Lane {
                    meter: index,
                    slot: tag.slot,
                    tag: source.tag(&meter.name, tag.slot),
                    renamed: meter.renamed.map(|day| {
                        let from_ms = day.floor() as i64 * MS_PER_DAY;
                        (from_ms, source.renamed_tag(&meter.name, tag.slot))
                    }),
                    scale: 1.0 / source.factor(tag.slot),
                    decimals: tag.decimals,
                });
            }
        }
        lanes
    }

    /// Days whose samples can fall into the span.
    pub(super) fn days(&self) -> std::ops::Range<i64> {
        self.job.from_ms.div_euclid(MS_PER_DAY).max(0)
            ..(self.job.until_ms + MS_PER_DAY - 1).div_euclid(MS_PER_DAY)
    }

    pub(super) fn holds(&self, ms: i64) -> bool {
        self.job.from_ms <= ms && ms < self.job.until_ms
    }

    pub(super) fn flush(&mut self, least: usize) -> std::io::Result<()> {
        if self.text.len() >= least {
            self.sink.put(&self.text)?;
            self.text.clear();
        }
        Ok(())
    }

    /// Long, meter by meter and tag by tag.
    pub(super) fn by_tag(&mut self) -> Result<(), PageError> {
        let local = self.job.source == LOCAL_SOURCE;
        let header: &[u8] =
            if local { b"Point;Date;Time;Value;State\r\n" } else { b"tag,time,value,quality\n" };
        self.text.extend_from_slice(header);
        let lanes = self.lanes();
        let mut stamps = Stamps::new(self.site.plan.start, self.job, local)?;
        let mut out = DayOut::default();
        let mut kept: [Vec<Sample>; N_SIGNALS] = Default::default();
        let mut at = 0;
        while at < lanes.len() {
            let meter = lanes[at].meter;
            let n = lanes[at..].iter().take_while(|lane| lane.meter == meter).count();
            kept.iter_mut().for_each(Vec::clear);
            for day in self.days() {
                simulate(self.site, meter, day, &mut out);
                for lane in &lanes[at..at + n] {
                    let base = day * MS_PER_DAY;
                    let rows = out.samples[lane.slot].iter();
                    kept[lane.slot].extend(
                        rows.map(|s| Sample { ms: s.ms + base, ..*s }).filter(|s| self.holds(s.ms)),
                    );
                }
            }
            for lane in &lanes[at..at + n] {
                for sample in &kept[lane.slot] {
                    let sample = &self.as_first_seen(*sample);
                    if local {
                        local_row(&mut self.text, &mut stamps, lane, sample);
                    } else {
                        utc_row(&mut self.text, &mut stamps, lane, sample);
                    }
                    self.flush(FLUSH_BYTES)?;
                }
                self.readings += kept[lane.slot].len() as u64;
                self.blemish(lane, &kept[lane.slot], &mut stamps, local);
            }
            at += n;
        }
        if self.job.source == 0 {
            self.valves(&mut stamps);
        }
        self.flush(1)?;
        Ok(())
    }

    /// Positions of block valves: in the export, and nobody's business here.
    pub(super) fn valves(&mut self, stamps: &mut Stamps) {
        for stream in self.site.streams.iter().filter(|s| s.spec.source == 0) {
            let tag = valve_tag(stream.number);
            for day in self.days() {
                let runs = stream.runs(day, stream.key);
                let starts = runs.iter().filter(|run| !run.carried).map(|run| (run.from_s, b'1'));
                let ends =
                    runs.iter().filter(|r| r.until_s < 86_400.0).map(|run| (run.until_s, b'0'));
                let mut moves: Vec<(f64, u8)> = starts.chain(ends).collect();
                moves.sort_by(|a, b| a.0.total_cmp(&b.0));
                for (at_s, position) in moves {
                    let ms = day * MS_PER_DAY + (at_s * 1000.0) as i64;
                    if self.holds(ms) {
                        self.text.extend_from_slice(tag.as_bytes());
                        self.text.push(b',');
                        stamps.iso(&mut self.text, ms);
                        self.text.extend_from_slice(&[b',', position]);
                        self.text.extend_from_slice(b",192\n");
                        self.readings += 1;
                    }
                }
            }
        }
    }

    /// One reading in a hundred that the next file holds again is revised there.
    pub(super) fn as_first_seen(&self, mut sample: Sample) -> Sample {
        let revised = sample.ms >= self.job.again_ms
            && name_of(&[self.job.name_key, sample.ms as u64]).is_multiple_of(100);
        if revised {
            sample.value *= 1.002;
        }
        sample
    }

    /// Now and then an export repeats a stretch, or breaks a line.
    pub(super) fn blemish(
        &mut self,
        lane: &Lane,
        kept: &[Sample],
        stamps: &mut Stamps,
        local: bool,
    ) {
        let who = (lane.meter * N_SIGNALS + lane.slot) as u64;
        let mut draws = Draws::new(self.job.name_key, who, Purpose::Dump, 1);
        let end: &[u8] = if local { b"\r\n" } else { b"\n" };
        if kept.len() > 40 && draws.chance(0.01) {
            let from = draws.pick(kept.len() - 20);
            for sample in &kept[from..from + 5 + draws.pick(15)] {
                if local {
                    local_row(&mut self.text, stamps, lane, sample);
                } else {
                    utc_row(&mut self.text, stamps, lane, sample);
                }
                self.readings += 1;
            }
        }
        if draws.chance(0.002) {
            match draws.pick(3) {
                0 => {
                    self.text.extend_from_slice(lane.tag.as_bytes());
                    self.text.push(if local { b';' } else { b',' });
                }
                1 => self.text.extend_from_slice(b"*** connection closed, retrying ***"),
                _ => {
                    self.text.extend_from_slice(lane.tag.as_bytes());
                    let rest: &[u8] = if local {
                        b";31/02/2025;10:00:00;1,0;OK"
                    } else {
                        b",2025-02-31T10:00:00Z,1.0,192"
                    };
                    self.text.extend_from_slice(rest);
                }
            }
            self.text.extend_from_slice(end);
        }
    }

    /// Long, in the order of time, tab-separated, epoch milliseconds, Windows-1252.
    pub(super) fn by_time(&mut self) -> Result<(), PageError> {
        self.text.extend_from_slice(b"epoch_ms\tpoint\tunit\treading\r\n");
        let lanes = self.lanes();
        let source = &SOURCES[self.job.source];
        let base_ms = i64::from(self.site.plan.start.0) * MS_PER_DAY;
        let mut outs: Vec<(usize, DayOut)> = Vec::new();
        for lane in &lanes {
            if outs.last().is_none_or(|(meter, _)| *meter != lane.meter) {
                outs.push((lane.meter, DayOut::default()));
            }
        }
        let mut rows: Vec<(i64, u32, u32)> = Vec::new();
        for day in self.days() {
            rows.clear();
            for (meter, out) in &mut outs {
                simulate(self.site, *meter, day, out);
            }
            for (l, lane) in lanes.iter().enumerate() {
                let Ok(o) = outs.binary_search_by_key(&lane.meter, |(meter, _)| *meter) else {
                    continue;
                };
                for (i, sample) in outs[o].1.samples[lane.slot].iter().enumerate() {
                    if self.holds(day * MS_PER_DAY + sample.ms) {
                        rows.push((sample.ms, l as u32, i as u32));
                    }
                }
            }
            rows.sort_unstable();
            for &(ms, l, i) in &rows {
                let lane = &lanes[l as usize];
                let Ok(o) = outs.binary_search_by_key(&lane.meter, |(meter, _)| *meter) else {
                    continue;
                };
                let sample = outs[o].1.samples[lane.slot][i as usize];
                unsigned(&mut self.text, (base_ms + day * MS_PER_DAY + ms).max(0) as u64);
                self.text.push(b'\t');
                self.text.extend_from_slice(lane.tag.as_bytes());
                self.text.push(b'\t');
                windows_1252(&mut self.text, source.unit_texts[lane.slot]);
                self.text.push(b'\t');
                match sample.state {
                    State::NoData => self.text.extend_from_slice(b"I/O error"),
                    State::Bad => self.text.extend_from_slice(b"-9999"),
                    _ => number(&mut self.text, lane, sample.value, b'.'),
                }
                self.text.extend_from_slice(b"\r\n");
                self.flush(FLUSH_BYTES)?;
            }
            self.readings += rows.len() as u64;
        }
        self.flush(1)?;
        Ok(())
    }

    /// Wide: one row per spacing, one column per tag, a quality column beside each for the
    /// source that has them.
    pub(super) fn wide(&mut self) -> Result<(), PageError> {
        let source = &SOURCES[self.job.source];
        let with_quality = self.job.source == 3;
        let lanes = self.lanes();
        self.wide_header(source, &lanes, with_quality);
        let mut stamps = Stamps::new(self.site.plan.start, self.job, false)?;
        let step = (source.row_s * 1000.0) as i64;
        let mut outs: Vec<(usize, DayOut)> = Vec::new();
        for lane in &lanes {
            if outs.last().is_none_or(|(meter, _)| *meter != lane.meter) {
                outs.push((lane.meter, DayOut::default()));
            }
        }
        let which: Vec<usize> = lanes
            .iter()
            .map(|lane| outs.partition_point(|(meter, _)| *meter < lane.meter))
            .collect();
        let mut next = vec![0usize; lanes.len()];
        let mut cells: Vec<u8> = Vec::new();
        for day in self.days() {
            for (meter, out) in &mut outs {
                simulate(self.site, *meter, day, out);
            }
            next.fill(0);
            for row in 0..MS_PER_DAY / step {
                let at = row * step;
                cells.clear();
                let mut filled = 0;
                for (l, lane) in lanes.iter().enumerate() {
                    cells.push(if with_quality { b';' } else { b',' });
                    let samples = &outs[which[l]].1.samples[lane.slot];
                    let mut found = None;
                    while let Some(sample) = samples.get(next[l]).filter(|s| s.ms < at + step) {
                        found = Some(*sample);
                        next[l] += 1;
                    }
                    if let Some(sample) = found {
                        filled += 1;
                        wide_cell(&mut cells, lane, &sample, with_quality);
                    } else if with_quality {
                        cells.push(b';');
                    }
                }
                let ms = day * MS_PER_DAY + at;
                if filled > 0 && self.holds(ms) {
                    let broken = !with_quality
                        && name_of(&[self.job.name_key, ms as u64]).is_multiple_of(4000);
                    if broken {
                        // The export stopped within a row and began it again.
                        stamps.wide_time(&mut self.text, ms, with_quality);
                        self.text.extend_from_slice(&cells[..cells.len() / 2]);
                        self.text.push(b'\n');
                    }
                    stamps.wide_time(&mut self.text, ms, with_quality);
                    self.text.extend_from_slice(&cells);
                    self.text.extend_from_slice(if with_quality { b"\r\n" } else { b"\n" });
                    self.readings += filled;
                    self.flush(FLUSH_BYTES)?;
                }
            }
        }
        self.flush(1)?;
        Ok(())
    }

    pub(super) fn wide_header(&mut self, source: &Source, lanes: &[Lane], with_quality: bool) {
        let text = &mut self.text;
        if !with_quality {
            let unit = source.units[self.job.unit];
            let first = self.site.date(self.job.from_ms.max(0) as f64 / MS_PER_DAY as f64);
            text.extend_from_slice(b"Larkmoor Works utilities historian\n");
            text.extend_from_slice(format!("unit {unit}, from {first} UTC\n").as_bytes());
            text.extend_from_slice(b"\n");
        }
        text.extend_from_slice(if with_quality { b"Time" } else { b"time" });
        for lane in lanes {
            text.push(if with_quality { b';' } else { b',' });
            text.extend_from_slice(lane.tag.as_bytes());
            if with_quality {
                text.push(b';');
                text.extend_from_slice(lane.tag.as_bytes());
                text.extend_from_slice(b".quality");
            }
        }
        text.extend_from_slice(if with_quality { b"\r\n" } else { b"\n" });
    }
}
