// A Homie 5 controller that knows nothing of this project: it discovers devices with the
// node-homie package, checks every $description against that package's JSON schema, and
// tells what it sees, one JSON object a line.
//
//   node homie_controller.mjs DIR BROKER-URL
//
// DIR holds node_modules with node-homie 5 and ajv 8. Lines on standard input:
//   set NODE/PROPERTY VALUE    sends a command to the device
//   quit
import { createRequire } from 'node:module';
import { createInterface } from 'node:readline';
import { join } from 'node:path';

const [dir, url] = process.argv.slice(2);
const require = createRequire(join(dir, 'controller.js'));
const { DeviceDiscovery, HomieDeviceManager } = require('node-homie');
const Ajv = require('ajv').default;
const mqtt = require('mqtt');

const say = (line) => process.stdout.write(JSON.stringify(line) + '\n');

// The schema is written loosely; these options let it compile at all.
const valid = new Ajv({ strict: false, validateSchema: false, unicodeRegExp: false, allErrors: true })
  .compile(require('node-homie/DeviceDescription.Schema.json'));

const plain = mqtt.connect(url, { clientId: 'schema-check' });
plain.subscribe('homie/5/+/$description', { qos: 1 });
plain.on('message', (topic, payload) => {
  if (payload.length === 0) return;
  const ok = valid(JSON.parse(payload.toString()));
  say({ saw: 'description', valid: ok, errors: ok ? [] : valid.errors.map((e) => `${e.instancePath} ${e.message}`) });
});

const devices = new HomieDeviceManager();
const discovery = new DeviceDiscovery({ url, topicRoot: 'homie' });
const watched = new Set();

function watchProperty(property) {
  const path = `${property.node.id}/${property.id}`;
  if (watched.has(path)) return;
  watched.add(path);
  say({ saw: 'property', path, datatype: property.attributes.datatype, settable: property.attributes.settable === true });
  property.value$.subscribe((value) => value === undefined || say({ saw: 'value', path, value }));
}

discovery.events$.subscribe((event) => {
  if (event.type === 'error') say({ saw: 'error', error: String(event.error) });
  if (event.type !== 'add' || devices.hasDevice(event.deviceId)) return;
  const device = devices.add(event.makeDevice());
  say({ saw: 'device', id: event.deviceId });
  device.state$.subscribe((state) => say({ saw: 'state', state }));
  device.alerts$.subscribe((alerts) => say({ saw: 'alerts', alerts: Object.fromEntries(alerts) }));
  device.nodes$.subscribe((nodes) => Object.values(nodes).forEach(
    (node) => node.properties$.subscribe((properties) => Object.values(properties).forEach(watchProperty))));
  device.onInit();
});

createInterface({ input: process.stdin }).on('line', (line) => {
  const [verb, path, value] = line.split(' ');
  if (verb === 'quit') process.exit(0);
  if (verb !== 'set') return;
  for (const device of Object.values(devices.devices)) {
    const [node, property] = path.split('/');
    device.get(node).get(property).setCommand$(value).subscribe();
  }
});
discovery.onInit();
