//! A number out of the messages on an MQTT topic (OASIS MQTT 3.1.1 and 5.0). The sensor sends when it likes; it counts as silent when
//! nothing arrives for its limit.

use super::judge::Judge;
use super::number;
use super::{Gauge, Raw};
use crate::clock::SharedClock;
use crate::config::model::{Sensor, SensorSource};
use crate::model::{Name, Reading, SignalId, Span, Stamp, Value, Why, WhyCode};
use crate::probe::{Outlet, Running, Source};
use std::time::Duration;

/// Largest message that is taken, in bytes.
const LARGEST: usize = number::LONGEST;

/// One sensor's subscription.
pub struct Listener {
    name: Name,
    sensor: Sensor,
    gauge: Gauge,
    clock: SharedClock,
    judge: Judge,
    /// When the last message came, whatever was in it.
    last: Option<Stamp>,
}

impl Listener {
    /// For a sensor whose source is an MQTT topic.
    pub fn new(sensor: &Sensor, gauge: Gauge, clock: SharedClock) -> Listener {
        Listener {
            name: Name::from_parts("probe", &sensor.name.as_str().replace('.', "-")),
            sensor: sensor.clone(),
            gauge,
            clock,
            judge: Judge::new(sensor),
            last: None,
        }
    }

    /// One message.
    fn heard(&mut self, payload: &[u8], pointer: Option<&str>, out: &Outlet) {
        let at = self.clock.now();
        self.last = Some(at);
        let raw = number::number_in(payload, pointer).map(|n| Raw { number: n, age: Span::ZERO });
        self.tell(at, raw, out);
    }

    /// Nothing came for a period: said only once the limit is over, since a sensor may send seldom.
    fn waited(&mut self, begun: Stamp, out: &Outlet) {
        let at = self.clock.now();
        let since = self.last.unwrap_or(begun);
        if at.boot - since.boot > self.sensor.silent_after {
            let text = format!("nothing has arrived on the topic for {}", at.boot - since.boot);
            self.tell(at, Err(Why::new(WhyCode::Silent, text)), out);
        }
    }

    fn tell(&mut self, at: Stamp, raw: Result<Raw, Why>, out: &Outlet) {
        let value = match self.judge.judge(at, raw) {
            Ok(v) => self.gauge.value(v),
            Err(w) => Value::Unavailable(w),
        };
        out.readings(vec![Reading { signal: self.gauge.id(), at, value }]);
    }

    async fn listen(&mut self, out: Outlet) -> Why {
        let SensorSource::Mqtt { broker, topic, pointer, version, user, password_file } = self.sensor.source.clone()
        else {
            return Why::new(WhyCode::Failed, "this sensor has no topic");
        };
        let (host, port) = match broker.rsplit_once(':') {
            Some((h, p)) => match p.parse() {
                Ok(p) => (h.trim_matches(['[', ']']).to_string(), p),
                Err(_) => return Why::new(WhyCode::Failed, format!("`{broker}` is no host:port")),
            },
            None => (broker.clone(), 1883),
        };
        let password = match &password_file {
            None => String::new(),
            Some(f) => match std::fs::read_to_string(f) {
                Ok(p) => p.trim_end_matches(['\r', '\n']).to_string(),
                Err(e) => return Why::from_io(&format!("password file `{}`", f.display()), &e),
            },
        };
        let login = user.map(|u| (u, password));
        // The broker ends the older of two connections of one name, so the name holds the process too.
        let id = format!("tilldawn-{}-{}", std::process::id(), Name::part(self.sensor.name.as_str()));
        let wait = self.sensor.every.to_std().max(Duration::from_millis(100));
        let begun = self.clock.now();
        if version == 5 {
            let mut options = rumqttc::v5::MqttOptions::new(id, host, port);
            options.set_keep_alive(Duration::from_secs(30));
            options.set_max_packet_size(Some(LARGEST as u32));
            if let Some((u, p)) = login {
                options.set_credentials(u, p);
            }
            let (client, mut events) = rumqttc::v5::AsyncClient::new(options, 10);
            if let Err(e) = client.subscribe(&topic, rumqttc::v5::mqttbytes::QoS::AtMostOnce).await {
                return Why::new(WhyCode::Failed, format!("cannot subscribe to `{topic}`: {e}"));
            }
            loop {
                use rumqttc::v5::{Event, Incoming};
                match tokio::time::timeout(wait, events.poll()).await {
                    Err(_) => self.waited(begun, &out),
                    Ok(Ok(Event::Incoming(Incoming::Publish(p)))) => self.heard(&p.payload, pointer.as_deref(), &out),
                    Ok(Ok(_)) => {}
                    Ok(Err(e)) => return Why::new(WhyCode::Failed, format!("broker `{broker}`: {e}")),
                }
            }
        }
        let mut options = rumqttc::MqttOptions::new(id, host, port);
        options.set_keep_alive(Duration::from_secs(30));
        options.set_max_packet_size(LARGEST, LARGEST);
        if let Some((u, p)) = login {
            options.set_credentials(u, p);
        }
        let (client, mut events) = rumqttc::AsyncClient::new(options, 10);
        if let Err(e) = client.subscribe(&topic, rumqttc::QoS::AtMostOnce).await {
            return Why::new(WhyCode::Failed, format!("cannot subscribe to `{topic}`: {e}"));
        }
        loop {
            use rumqttc::{Event, Incoming};
            match tokio::time::timeout(wait, events.poll()).await {
                Err(_) => self.waited(begun, &out),
                Ok(Ok(Event::Incoming(Incoming::Publish(p)))) => self.heard(&p.payload, pointer.as_deref(), &out),
                Ok(Ok(_)) => {}
                Ok(Err(e)) => return Why::new(WhyCode::Failed, format!("broker `{broker}`: {e}")),
            }
        }
    }
}

impl Source for Listener {
    fn name(&self) -> &Name {
        &self.name
    }
    fn signals(&self) -> Vec<SignalId> {
        vec![self.gauge.id()]
    }
    fn run(&mut self, out: Outlet) -> Running<'_> {
        Box::pin(self.listen(out))
    }
}
