"""The resource types that the embedded endpoint serves: every type of R4 that can be stored on its own."""

from __future__ import annotations


def _names(text: str) -> frozenset[str]:
    return frozenset(text.split())


# Source: the StructureDefinitions of FHIR R4 (4.0.1), profiles-resources.xml, kind `resource` and not abstract.
# Parameters is left out: R4 gives it no endpoint of its own.
RESOURCE_TYPES: frozenset[str] = _names(
    """
    Account ActivityDefinition AdverseEvent AllergyIntolerance Appointment AppointmentResponse
    AuditEvent Basic Binary BiologicallyDerivedProduct BodyStructure Bundle CapabilityStatement CarePlan
    CareTeam CatalogEntry ChargeItem ChargeItemDefinition Claim ClaimResponse ClinicalImpression
    CodeSystem Communication CommunicationRequest CompartmentDefinition Composition ConceptMap Condition
    Consent Contract Coverage CoverageEligibilityRequest CoverageEligibilityResponse DetectedIssue
    Device DeviceDefinition DeviceMetric DeviceRequest DeviceUseStatement DiagnosticReport
    DocumentManifest DocumentReference EffectEvidenceSynthesis Encounter Endpoint EnrollmentRequest
    EnrollmentResponse EpisodeOfCare EventDefinition Evidence EvidenceVariable ExampleScenario
    ExplanationOfBenefit FamilyMemberHistory Flag Goal GraphDefinition Group GuidanceResponse
    HealthcareService ImagingStudy Immunization ImmunizationEvaluation ImmunizationRecommendation
    ImplementationGuide InsurancePlan Invoice Library Linkage List Location Measure MeasureReport Media
    Medication MedicationAdministration MedicationDispense MedicationKnowledge MedicationRequest
    MedicationStatement MedicinalProduct MedicinalProductAuthorization MedicinalProductContraindication
    MedicinalProductIndication MedicinalProductIngredient MedicinalProductInteraction
    MedicinalProductManufactured MedicinalProductPackaged MedicinalProductPharmaceutical
    MedicinalProductUndesirableEffect MessageDefinition MessageHeader MolecularSequence NamingSystem
    NutritionOrder Observation ObservationDefinition OperationDefinition OperationOutcome Organization
    OrganizationAffiliation Patient PaymentNotice PaymentReconciliation Person PlanDefinition
    Practitioner PractitionerRole Procedure Provenance Questionnaire QuestionnaireResponse RelatedPerson
    RequestGroup ResearchDefinition ResearchElementDefinition ResearchStudy ResearchSubject
    RiskAssessment RiskEvidenceSynthesis Schedule SearchParameter ServiceRequest Slot Specimen
    SpecimenDefinition StructureDefinition StructureMap Subscription Substance SubstanceNucleicAcid
    SubstancePolymer SubstanceProtein SubstanceReferenceInformation SubstanceSourceMaterial
    SubstanceSpecification SupplyDelivery SupplyRequest Task TerminologyCapabilities TestReport
    TestScript ValueSet VerificationResult VisionPrescription
    """
)
"""The names of all types that are stored."""

# Source: the CapabilityStatement `base` of the same file, which lists the search parameters of every type.
WITHOUT_IDENTIFIER_SEARCH: frozenset[str] = _names(
    """
    AdverseEvent AuditEvent Binary BiologicallyDerivedProduct CapabilityStatement CatalogEntry
    CompartmentDefinition GraphDefinition ImplementationGuide Linkage MedicationKnowledge
    MedicinalProductContraindication MedicinalProductIndication MedicinalProductIngredient
    MedicinalProductInteraction MedicinalProductManufactured MedicinalProductUndesirableEffect
    MessageHeader NamingSystem ObservationDefinition OperationDefinition OperationOutcome Provenance
    SearchParameter Subscription SubstanceNucleicAcid SubstancePolymer SubstanceProtein
    SubstanceReferenceInformation SubstanceSourceMaterial SubstanceSpecification TerminologyCapabilities
    VerificationResult
    """
)
"""The types for which R4 defines no search parameter `identifier`."""
