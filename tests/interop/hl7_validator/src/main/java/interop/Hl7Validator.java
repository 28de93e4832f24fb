package interop;

import ca.uhn.fhir.context.FhirContext;
import ca.uhn.fhir.context.support.DefaultProfileValidationSupport;
import ca.uhn.fhir.context.support.IValidationSupport;
import ca.uhn.fhir.util.VersionUtil;
import ca.uhn.fhir.validation.FhirValidator;
import ca.uhn.fhir.validation.ResultSeverityEnum;
import ca.uhn.fhir.validation.SingleValidationMessage;
import ca.uhn.fhir.validation.ValidationOptions;
import com.fasterxml.jackson.core.JsonParser;
import com.fasterxml.jackson.core.JsonProcessingException;
import com.fasterxml.jackson.databind.DeserializationFeature;
import com.fasterxml.jackson.databind.JsonNode;
import com.fasterxml.jackson.databind.ObjectMapper;
import com.fasterxml.jackson.databind.json.JsonMapper;
import com.fasterxml.jackson.databind.node.ArrayNode;
import com.fasterxml.jackson.databind.node.JsonNodeFactory;
import com.fasterxml.jackson.databind.node.ObjectNode;
import java.io.BufferedReader;
import java.io.ByteArrayInputStream;
import java.io.FileDescriptor;
import java.io.FileOutputStream;
import java.io.IOException;
import java.io.InputStream;
import java.io.InputStreamReader;
import java.io.PrintStream;
import java.nio.charset.StandardCharsets;
import java.nio.file.Files;
import java.nio.file.Path;
import java.security.MessageDigest;
import java.security.NoSuchAlgorithmException;
import java.util.ArrayList;
import java.util.HexFormat;
import java.util.List;
import org.hl7.fhir.common.hapi.validation.support.CommonCodeSystemsTerminologyService;
import org.hl7.fhir.common.hapi.validation.support.InMemoryTerminologyServerValidationSupport;
import org.hl7.fhir.common.hapi.validation.support.PrePopulatedValidationSupport;
import org.hl7.fhir.common.hapi.validation.support.SnapshotGeneratingValidationSupport;
import org.hl7.fhir.common.hapi.validation.support.UnknownCodeSystemWarningValidationSupport;
import org.hl7.fhir.common.hapi.validation.support.ValidationSupportChain;
import org.hl7.fhir.common.hapi.validation.validator.FhirInstanceValidator;
import org.hl7.fhir.utilities.npm.NpmPackage;

/**
 * Reads resources from standard input and writes what HL7's instance validator says of each to standard output, one
 * JSON object a line both ways, without ever going to the network.
 *
 * <p>First line out: {@code {"ready":true,"hapi":"8.8.0","ms":…,"packages":[{"name","version","sha256"}]}}. In: {@code
 * {"id":…,"profiles":[…],"resource":{…}}}; out, in the same order: {@code
 * {"id":…,"ok":…,"ms":…,"issues":[{"severity","code","expression","text"}]}}. A line that cannot be read gets an answer
 * like any other. Ends with 0 at the end of the input and with 2 where it cannot be set up.
 */
public final class Hl7Validator {

    /** A vital sign uses the invariants, the bindings, a profile and UCUM, so it loads nearly all that is loaded late. */
    private static final String WARM_UP = """
            {"resourceType":"Observation","status":"final",
             "meta":{"profile":["http://hl7.org/fhir/StructureDefinition/heartrate"]},
             "category":[{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/observation-category",
                                     "code":"vital-signs"}]}],
             "code":{"coding":[{"system":"http://loinc.org","code":"8867-4"}]},
             "subject":{"reference":"Patient/p"},"effectiveDateTime":"2031-03-02T10:00:00Z",
             "valueQuantity":{"value":80,"unit":"/min","system":"http://unitsofmeasure.org","code":"/min"}}""";

    /** Numbers keep their digits, since the precision of a FHIR decimal has a meaning; a repeated name is a fault. */
    private static final ObjectMapper JSON = JsonMapper.builder()
            .nodeFactory(JsonNodeFactory.withExactBigDecimals(true))
            .enable(DeserializationFeature.USE_BIG_DECIMAL_FOR_FLOATS)
            .enable(JsonParser.Feature.STRICT_DUPLICATE_DETECTION)
            .build();

    private final FhirContext context = FhirContext.forR4();
    private final PrePopulatedValidationSupport loaded = new PrePopulatedValidationSupport(context);
    private final ArrayNode packages = JSON.createArrayNode();
    private final FhirValidator validator = context.newValidator();

    private Hl7Validator(List<Path> packagePaths) throws IOException {
        for (Path path : packagePaths) {
            loadPackage(path);
        }
        UnknownCodeSystemWarningValidationSupport unknownCodeSystems =
                new UnknownCodeSystemWarningValidationSupport(context);
        // LOINC and SNOMED CT cannot be looked up offline: that a code was not checked is said, and is no error.
        unknownCodeSystems.setNonExistentCodeSystemSeverity(IValidationSupport.IssueSeverity.WARNING);
        FhirInstanceValidator instanceValidator = new FhirInstanceValidator(new ValidationSupportChain(
                new DefaultProfileValidationSupport(context),
                loaded,
                new SnapshotGeneratingValidationSupport(context),
                new CommonCodeSystemsTerminologyService(context),
                new InMemoryTerminologyServerValidationSupport(context),
                // Last, because it answers for every code system and nothing after it would be asked.
                unknownCodeSystems));
        validator.registerValidatorModule(instanceValidator);
    }

    public static void main(String[] arguments) {
        // The libraries print to standard output at times; only the protocol may stand there.
        PrintStream protocol = new PrintStream(new FileOutputStream(FileDescriptor.out), false, StandardCharsets.UTF_8);
        System.setOut(System.err);
        int exitCode;
        try {
            serve(packagePaths(arguments), protocol);
            exitCode = 0;
        } catch (Exception | LinkageError fault) {
            System.err.println("The validator could not be set up: " + fault);
            exitCode = 2;
        }
        // The validation support chain keeps a thread alive that would hold the process open.
        System.exit(exitCode);
    }

    private static List<Path> packagePaths(String[] arguments) {
        List<Path> paths = new ArrayList<>();
        for (int index = 0; index < arguments.length; index += 2) {
            if (!arguments[index].equals("--package") || index + 1 == arguments.length) {
                throw new IllegalArgumentException("usage: [--package PATH.tgz]..., not " + arguments[index]);
            }
            paths.add(Path.of(arguments[index + 1]));
        }
        return paths;
    }

    private static void serve(List<Path> packagePaths, PrintStream protocol) throws IOException {
        long start = System.nanoTime();
        Hl7Validator hl7 = new Hl7Validator(packagePaths);
        ObjectNode warmUp = JSON.createObjectNode();
        warmUp.set("resource", JSON.readTree(WARM_UP));
        JsonNode verdict = hl7.judge(warmUp);
        if (!verdict.get("ok").asBoolean()) {
            throw new IllegalStateException("the warm-up resource was refused: " + verdict.get("issues"));
        }
        ObjectNode ready = JSON.createObjectNode().put("ready", true).put("hapi", VersionUtil.getVersion());
        ready.put("ms", millisecondsSince(start)).set("packages", hl7.packages);
        write(protocol, ready);

        BufferedReader lines = new BufferedReader(new InputStreamReader(System.in, StandardCharsets.UTF_8));
        for (String line = lines.readLine(); line != null; line = lines.readLine()) {
            write(protocol, hl7.answer(line));
        }
    }

    /** Puts the package's definitions at the validator's disposal and its name into the ready line. */
    private void loadPackage(Path path) throws IOException {
        byte[] content = Files.readAllBytes(path);
        NpmPackage fhirPackage = NpmPackage.fromPackage(new ByteArrayInputStream(content));
        for (String name : fhirPackage.listResources("StructureDefinition", "ValueSet", "CodeSystem", "SearchParameter")) {
            try (InputStream resource = fhirPackage.loadResource(name)) {
                loaded.addResource(context.newJsonParser().parseResource(resource));
            }
        }
        packages.addObject()
                .put("name", fhirPackage.name())
                .put("version", fhirPackage.version())
                .put("sha256", sha256(content));
    }

    /** Returns the answer to one line of input, whatever stands in it. */
    private ObjectNode answer(String line) {
        JsonNode request = null;
        try {
            request = JSON.readTree(line);
            if (!request.path("resource").isObject()) {
                return refusal(request, "protocol", "the line holds no \"resource\" object");
            }
            return judge(request);
        } catch (JsonProcessingException fault) {
            return refusal(null, "protocol", "the line is not JSON: " + fault.getOriginalMessage());
        } catch (RuntimeException | StackOverflowError | LinkageError fault) {
            // A resource that the validator stumbles over, or a class that it lacks, must not take the others with it.
            return refusal(request, "exception", fault.toString());
        }
    }

    private ObjectNode judge(JsonNode request) {
        ValidationOptions options = new ValidationOptions();
        request.path("profiles").forEach(profile -> options.addProfile(profile.asText()));
        long start = System.nanoTime();
        List<SingleValidationMessage> messages =
                validator.validateWithResult(request.get("resource").toString(), options).getMessages();
        ObjectNode verdict = JSON.createObjectNode();
        verdict.set("id", request.get("id"));
        verdict.put("ok", messages.stream().noneMatch(Hl7Validator::isError)).put("ms", millisecondsSince(start));
        ArrayNode issues = verdict.putArray("issues");
        for (SingleValidationMessage message : messages) {
            addIssue(issues, message.getSeverity().getCode(), message.getMessageId(),
                    message.getLocationString(), message.getMessage());
        }
        return verdict;
    }

    private static boolean isError(SingleValidationMessage message) {
        return message.getSeverity().compareTo(ResultSeverityEnum.ERROR) >= 0;
    }

    private static ObjectNode refusal(JsonNode request, String code, String text) {
        ObjectNode verdict = JSON.createObjectNode();
        verdict.set("id", request == null ? null : request.get("id"));
        verdict.put("ok", false).put("ms", 0.0);
        addIssue(verdict.putArray("issues"), ResultSeverityEnum.FATAL.getCode(), code, "", text);
        return verdict;
    }

    private static void addIssue(ArrayNode issues, String severity, String code, String expression, String text) {
        issues.addObject()
                .put("severity", severity)
                .put("code", code)
                .put("expression", expression)
                .put("text", text);
    }

    private static double millisecondsSince(long start) {
        return Math.round((System.nanoTime() - start) / 1e4) / 100.0;
    }

    private static String sha256(byte[] content) {
        try {
            return HexFormat.of().formatHex(MessageDigest.getInstance("SHA-256").digest(content));
        } catch (NoSuchAlgorithmException impossible) {
            throw new IllegalStateException("every Java has SHA-256", impossible);
        }
    }

    private static void write(PrintStream protocol, JsonNode line) {
        protocol.print(line + "\n");
        protocol.flush();
    }
}
